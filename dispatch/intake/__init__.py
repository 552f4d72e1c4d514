"""Meter files as utilities send them, and typical profiles where there are none: to one series on one clock."""
