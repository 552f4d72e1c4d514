"""The inverter as it runs, step by step, seeing only the present."""
