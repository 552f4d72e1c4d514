"""What every command that solves takes: ``--no-cache``, ``--search-seconds``; and ``dispatch cache``.

Commands use the store while they work; the library by itself keeps nothing.
"""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

import functools
import inspect
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dispatch.program.watch import LIMIT_SECONDS, Watch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


NoCache = Annotated[
    bool, typer.Option("--no-cache", help="Solve anew, and keep no results for later commands.")
]

SearchSeconds = Annotated[
    float,
    typer.Option(
        "--search-seconds",
        metavar="SECONDS",
        min=1.0,
        max=86_400.0,
        help="Longest search for a plan with yes-or-no decisions; then the best found stands, marked so.",
    ),
]

SOLVING = ("compare", "backup", "outage", "frontier", "settings", "size")


def keep_results(app: typer.Typer) -> None:
    """Let every command that solves keep its results, and take ``--no-cache`` and ``--search-seconds``."""
    for command in app.registered_commands:
        if command.callback is not None and (command.name or command.callback.__name__) in SOLVING:
            command.callback = _keeping(command.callback)


def _keeping(command: Callable[..., None]) -> Callable[..., None]:
    @functools.wraps(command)
    def run(*arguments: Any, no_cache: bool, search_seconds: float, **options: Any) -> None:  # noqa: ANN401 - the command's own
        with nullcontext() if no_cache else results_kept(), Watch.limited(search_seconds):
            command(*arguments, **options)

    stated = inspect.signature(
        command, eval_str=True
    )  # now: afterwards nobody knows where its names come from
    own = (("no_cache", False, NoCache), ("search_seconds", LIMIT_SECONDS, SearchSeconds))
    told = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, default, kind in own
    ]
    run.__signature__ = stated.replace(parameters=[*stated.parameters.values(), *told])  # type: ignore[attr-defined]
    run.__annotations__ = {**command.__annotations__, **{name: kind for name, _, kind in own}}
    return run


@contextmanager
def results_kept() -> Iterator[None]:
    """Keep solved programs on disk for the while."""
    from dispatch.store import in_use, use, users_store

    before = in_use()
    use(users_store())
    try:
        yield
    finally:
        use(before)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(
        short_help="Show where results are kept between commands, or remove them.",
        epilog="Example: dispatch cache --clear",
    )
    def cache(
        clear: Annotated[bool, typer.Option("--clear", help="Remove every kept result.")] = False,
    ) -> None:
        """Show where solved programs are kept so that the next command need not solve them again.

        They can be removed at any time. DISPATCH_CACHE_DIR names another folder; set to nothing, none is used.
        """
        from dispatch.cli.terminal import refusals, write
        from dispatch.store import PLACE_VARIABLE, users_store

        with refusals():
            place = users_store()
            if place is None:
                write(f"{PLACE_VARIABLE} is empty: no results are kept\n")
                return
            if clear:
                write(f"{place.folder}: {place.clear():,} results removed\n")
                return
            held, most = place.size_bytes / 1e6, place.most_bytes / 1e6
            write(f"{place.folder}: {len(place.entries()):,} results, {held:.1f} of at most {most:.0f} MB\n")
