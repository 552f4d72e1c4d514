"""Units of energy and of mean power that meter files are written in."""

from __future__ import annotations

UNITS = {
    "mwh": (1000.0, 0.0),
    "kwh": (1.0, 0.0),
    "wh": (1e-3, 0.0),
    "mw": (0.0, 1000.0),
    "kw": (0.0, 1.0),
    "w": (0.0, 1e-3),
}
"""By unit: factor to kWh for energy in the step, or to kW for mean power in it."""
