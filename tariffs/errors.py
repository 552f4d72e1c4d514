"""What the tariff package refuses, as exceptions that carry one finished message each.

::

    TariffError            a tariff file, or its use on a series, cannot be accepted
    └── MeterError         a meter file cannot be read as it stands

Each takes its message positionally only, so that it survives pickling between processes.
"""


class TariffError(Exception):
    """A tariff file cannot be used, or does not fit the series it is asked to price.

    Parameters
    ----------
    message : str
        The whole text for the user: file, field or step, the value seen, the remedy.
    """

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class MeterError(TariffError):
    """A meter file cannot be read as it stands."""
