"""What to enter: settings, tonight, storm."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dispatch.advice.recommend import recommend
from dispatch.door.base import Home, Result, as_advised, load

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from dispatch.ahead.storm import Storm
    from dispatch.ahead.tonight import Tonight
    from dispatch.arrays import Progress
    from dispatch.search.study import SettingsStudy


@dataclass(frozen=True, kw_only=True)
class Settled(Result):
    """What ``settings`` found: ``study``."""

    study: SettingsStudy

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.settings import settings_document

        return settings_document(self.study)

    def screen(self) -> object:
        """Return the screen of ``dispatch settings``."""
        from dispatch.report.settings import settings_report
        from dispatch.report.settings_answer import settings_answer

        return settings_report(self.study) if self.full else settings_answer(self.study)


def settings(home: Home, card: Path | None = None, progress: Progress | None = None) -> Settled:
    """Find the windows and levels to enter on the device, or score those of a card file.

    Examples
    --------
    >>> from pathlib import Path
    >>> from dispatch.door import settings
    >>> settings("scenarios/alder-row", Path("card.toml")).study.card.sun_first
    'battery'
    """
    from dispatch.cards.card_file import read_card
    from dispatch.cards.space import device_space
    from dispatch.search.study import study

    advice = recommend(load(home))
    case = advice.case  # the file's own reserve limits a card, as in the search, not the recommended one
    entered = None if card is None else read_card(card, case, device_space(case))
    return Settled(study=study(advice, progress, entered))


@dataclass(frozen=True, kw_only=True)
class TonightPlanned(Result):
    """What ``tonight`` found: ``plan``."""

    plan: Tonight

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.tonight import tonight_document

        return tonight_document(self.plan)

    def screen(self) -> object:
        """Return the screen of ``dispatch tonight``."""
        from dispatch.report.tonight import tonight_report

        return tonight_report(self.plan, full=self.full)


def tonight(  # noqa: PLR0913 - one per option of the command
    home: Home,
    at: str,
    level: str,
    *,
    forecast: Path | None = None,
    recent: Path | None = None,
    reserve_percent: float | None = None,
    so_far_kwh: float | None = None,
    so_far_kw: float | None = None,
    hours: float = 36.0,
) -> TonightPlanned:
    """Plan the next day or two from a moment and a level.

    Examples
    --------
    >>> from dispatch import tonight
    >>> tonight("scenarios/alder-row", "2025-01-14T18:00", "62%").plan.level_kwh
    6.572
    """
    from dispatch.ahead.desk import SoFar
    from dispatch.ahead.tonight import tonight as plan_tonight

    plan = plan_tonight(
        as_advised(load(home)),
        at,
        level,
        forecast=forecast,
        recent=recent,
        reserve_percent=reserve_percent,
        so_far=SoFar(so_far_kwh, so_far_kw),
        hours=hours,
    )
    return TonightPlanned(plan=plan)


@dataclass(frozen=True, kw_only=True)
class StormPrepared(Result):
    """What ``storm`` found: ``plan``."""

    plan: Storm

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.storm import storm_document

        return storm_document(self.plan)

    def screen(self) -> object:
        """Return the screen of ``dispatch storm``."""
        from dispatch.report.storm import storm_report

        return storm_report(self.plan, full=self.full)


def storm(  # noqa: PLR0913 - one per option of the command
    home: Home,
    at: str,
    level: str,
    begins: str,
    hours: float,
    *,
    forecast: Path | None = None,
    recent: Path | None = None,
) -> StormPrepared:
    """Prepare the battery for a storm that begins at ``begins`` and lasts ``hours``.

    Examples
    --------
    >>> from dispatch import storm
    >>> storm("scenarios/alder-row", "2025-01-14T18:00", "62%", "2025-01-16T06:00", 20).document()["wanted_percent"]
    100.0
    """
    from dispatch.ahead.storm import storm as prepare

    return StormPrepared(
        plan=prepare(as_advised(load(home)), at, level, begins, hours, forecast=forecast, recent=recent)
    )


def card_files(
    study: SettingsStudy,
    files: dict[str, Path | None],
    made_at: dt.datetime,
    year: int | None,
    *,
    windows: bool = False,
) -> None:
    """Write the card as TOML, Markdown, page and calendar, all or none; keys ``toml``, ``md``, ``html``, ``ics``."""
    from dispatch.cards.card_file import card_toml
    from dispatch.exports.calendar import settings_calendar
    from dispatch.exports.page import card_page
    from dispatch.exports.settings import card_markdown
    from dispatch.writing import together, write

    makers = {
        "toml": lambda: card_toml(study.card, study.space.groups),
        "md": lambda: card_markdown(study),
        "html": lambda: card_page(study),
        "ics": lambda: settings_calendar(study, made_at, year, windows=windows),
    }
    with together():
        for kind, path in files.items():
            if path is not None:
                write({path: makers[kind]().encode()})
