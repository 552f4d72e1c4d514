"""What this project refuses, as exceptions that carry one finished message each.

::

    DispatchError            the root: `except DispatchError` catches every refusal, of both packages
    ├── TariffError          a tariff file, or its use on a series, cannot be accepted
    │   └── MeterError       a meter file cannot be read as it stands
    └── ...                  those of `dispatch.errors`

Each takes its message positionally only, so that it survives pickling between processes.
"""


class DispatchError(Exception):
    """Base of everything this project refuses to do.

    Parameters
    ----------
    message : str
        The whole text for the user: file, field or line, the value seen, the remedy.
    """

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class TariffError(DispatchError):
    """A tariff file cannot be used, or does not fit the series it is asked to price."""


class MeterError(TariffError):
    """A meter file cannot be read as it stands."""
