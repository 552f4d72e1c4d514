"""From parts to limits: units and packs, strings, cable, weather to sun, generator, cold, care and life.

The only home of pvlib (the ``solar`` extra) and rainflow.
"""
