"""What an import understood, as a document for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dispatch.intake.read import Understood


def import_document(made: Understood, written: str | None) -> dict[str, Any]:
    """Return what was understood of a meter file.

    Parameters
    ----------
    made : Understood
    written : str or None
        The file written; None where gaps forbid it.

    Returns
    -------
    dict
        Plain values. Energies in kWh, powers in kW.
    """
    moment, kwh = made.highest_hour()
    night = made.night_kw()
    return {
        "file": str(made.path),
        "shape": made.shape,
        "start": made.grid.times[0].isoformat(),
        "end": (made.grid.times[-1] + (made.grid.times[1] - made.grid.times[0])).isoformat(),
        "step_minutes": made.grid.step_seconds // 60,
        "step_count": len(made.grid.times),
        "time_zone": str(made.grid.times.tz),
        "kwh_by_month": made.by_month(),
        "gaps": [
            {"start": gap.start.isoformat(), "hours": gap.count * made.dt_hours} for gap in made.grid.gaps()
        ],
        "estimated_fraction": made.estimated_fraction(),
        "highest_hour": {"start": moment.isoformat(), "kwh": kwh},
        "usual_night_kw": None if night != night else night,  # noqa: PLR0124 - NaN
        "load": made.load_how,
        "repairs": list(made.grid.repairs),
        "facts": list(made.facts),
        "look_at": list(made.doubts),
        "written": written,
        "columns": ["time", *made.columns],
    }
