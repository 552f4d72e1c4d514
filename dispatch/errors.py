"""What can go wrong, as exceptions that carry one finished message each.

::

    DispatchError                 the root, in `tariffs.errors`: catches every refusal, the tariffs' too
    ├── TariffError               a tariff cannot be used (`tariffs.errors`)
    │   └── MeterError            a meter file cannot be read (`tariffs.errors`)
    ├── ScenarioError             the site description cannot be used
    │   └── NoProgram             its tariff can be billed, but no program can state it
    ├── SeriesError               a load or solar series does not fit the time grid
    ├── OutputError               a file cannot be written where it was asked for
    └── SolveError                no certified optimum
        ├── Infeasible            no schedule respects every limit
        ├── StoppedEarly          time or iteration limit
        ├── FlowsError            a result table breaks its own balance or bounds
        └── ReconciliationError   the program's money and the bill disagree

Every class takes its message positionally only, so that each survives pickling between processes.
"""

from tariffs.errors import DispatchError

__all__ = [
    "DispatchError",
    "FlowsError",
    "Infeasible",
    "NoProgram",
    "OutputError",
    "ReconciliationError",
    "ScenarioError",
    "SeriesError",
    "SolveError",
    "StoppedEarly",
]


class ScenarioError(DispatchError):
    """The site description cannot be used."""


class NoProgram(ScenarioError):  # noqa: N818 - what there is not
    """A tariff that can be billed but that no (mixed-integer) linear program can state: no plan can be made."""


class SeriesError(DispatchError):
    """A load or solar series does not fit the time grid."""


class OutputError(DispatchError):
    """A file cannot be written where it was asked for."""


class SolveError(DispatchError):
    """The solver gave no certified optimum."""


class Infeasible(SolveError):  # noqa: N818 - the trade's word for it
    """No schedule respects every limit."""


class StoppedEarly(SolveError):  # noqa: N818 - names what happened
    """The solver met its time or iteration limit."""


class FlowsError(SolveError):
    """A result table breaks its own balance, bounds or signs."""


class ReconciliationError(SolveError):
    """The program's money and the independently computed bill disagree."""
