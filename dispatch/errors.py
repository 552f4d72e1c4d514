"""What can go wrong, as exceptions that carry one finished message each.

::

    DispatchError
    ├── ScenarioError             the site description cannot be used
    ├── SeriesError               a load or solar series does not fit the time grid
    └── SolveError                no certified optimum
        ├── Infeasible            no schedule respects every limit
        ├── StoppedEarly          time or iteration limit
        ├── FlowsError            a result table breaks its own balance or bounds
        └── ReconciliationError   the program's money and the bill disagree

Every class takes its message positionally only, so that each survives pickling between processes.
"""


class DispatchError(Exception):
    """Base of everything this package refuses to do.

    Parameters
    ----------
    message : str
        The whole text for the user: file, field or row, the value seen, the remedy.
    """

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class ScenarioError(DispatchError):
    """The site description cannot be used."""


class SeriesError(DispatchError):
    """A load or solar series does not fit the time grid."""


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
