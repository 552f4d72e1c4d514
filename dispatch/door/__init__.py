"""The commands as functions: what ``dispatch NAME`` does, for use from Python.

Each takes a home (a loaded case, or the path of its scenario file or folder) and returns one frozen result with
``.document()``, what ``--json`` prints, and ``__rich__``, what the screen shows. Every refusal is a
:class:`dispatch.DispatchError`.
"""

from dispatch.door.base import Result, as_advised, load
from dispatch.door.buying import SizesTried, size
from dispatch.door.entering import (
    Settled,
    StormPrepared,
    TonightPlanned,
    card_files,
    settings,
    storm,
    tonight,
)
from dispatch.door.many import FleetRun, YearsRun, fleet, years
from dispatch.door.parts import CareTold, GeneratorJudged, HardwareTold, care, generator, hardware
from dispatch.door.runs import (
    BackedUp,
    Billed,
    Checked,
    Compared,
    OutagePlayed,
    TariffChosen,
    Traced,
    backup,
    bill,
    check,
    compare,
    frontier,
    outage,
    tariffs,
)
from dispatch.door.solar import Arranged, CableJudged, HowManyFit, StringsJudged, SunMade, cable, strings, sun

__all__ = [
    "Arranged",
    "BackedUp",
    "Billed",
    "CableJudged",
    "CareTold",
    "Checked",
    "Compared",
    "FleetRun",
    "GeneratorJudged",
    "HardwareTold",
    "HowManyFit",
    "OutagePlayed",
    "Result",
    "Settled",
    "SizesTried",
    "StormPrepared",
    "StringsJudged",
    "SunMade",
    "TariffChosen",
    "TonightPlanned",
    "Traced",
    "YearsRun",
    "as_advised",
    "backup",
    "bill",
    "cable",
    "card_files",
    "care",
    "check",
    "compare",
    "fleet",
    "frontier",
    "generator",
    "hardware",
    "load",
    "outage",
    "settings",
    "size",
    "storm",
    "strings",
    "sun",
    "tariffs",
    "tonight",
    "years",
]
