"""What all tests share: both cores for the whole suite, and each shipped year solved once."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from homes.shipped import Year


os.environ["DISPATCH_CACHE_DIR"] = (
    ""  # before any test: no results kept between runs, nor by processes tests start
)


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Use every core if the whole suite is asked for and nothing else was said.

    A named file or test runs in this process, at once; so does all of it with ``-n 0``, ``-p no:xdist`` or ``--pdb``.
    Tests are stolen one by one, so that no core waits for a long file.
    """
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    unsaid = getattr(config.option, "numprocesses", 0) is None and config.option.dist == "no"
    if whole and unsaid and not hasattr(config, "workerinput") and not config.option.usepdb:
        config.option.numprocesses, config.option.dist = "auto", "worksteal"


@pytest.fixture(scope="session")
def year(request: pytest.FixtureRequest) -> Year:
    """Give a shipped year, named by ``@pytest.mark.parametrize("year", NAMES, indirect=True)``."""
    from homes.shipped import shipped_year  # noqa: PLC0415 - tests of the layout need no pandas

    return shipped_year(request.param)
