"""What all commands share: arguments, the one Console, progress, and how a refusal is told.

stdout carries the result and nothing else; messages and progress go to stderr. Exit codes: 0 done, 1 no
answer exists (the message says why), 2 input that cannot be used, 130 interrupted.
"""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
import typer.core

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.console import Console, ConsoleOptions
    from rich.segment import Segment

    from dispatch.arrays import Progress
    from dispatch.door import Result


NO_ANSWER, BAD_INPUT, INTERRUPTED = 1, 2, 130
WIDTH = 80

ScenarioPath = Annotated[
    Path,
    typer.Argument(help="The scenario file, or the directory that holds it as scenario.toml."),
]

AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of the report.")]
Full = Annotated[bool, typer.Option("--full", help="Show everything behind the answer.")]


class Commands(typer.core.TyperGroup):
    """The commands; an option whose value was forgotten does not swallow the option after it."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:  # noqa: ANN401 - types of the library's inside
        """Move ``--quiet`` to the front, from wherever it stands before a lone ``--``."""
        end = args.index("--") if "--" in args else len(args)
        if "--quiet" in args[:end]:
            args = ["--quiet", *(word for at, word in enumerate(args) if at >= end or word != "--quiet")]
        return super().parse_args(ctx, args)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: ANN401 - types of the library's inside
        """Find the command; refuse ``--csv --json``, which would write into a directory called ``--json``."""
        name, command, rest = super().resolve_command(ctx, args)
        for parameter in command.params if command is not None else ():
            if isinstance(parameter, typer.core.TyperOption) and not parameter.is_flag:
                _refuse_swallowed(parameter, rest)
        return name, command, rest


def _refuse_swallowed(option: typer.core.TyperOption, args: list[str]) -> None:
    for argument, follows in pairwise(args):
        if argument == "--":
            return
        if argument in option.opts and follows.startswith("-") and not follows[1:2].isdigit():
            value = option.metavar or "VALUE"
            mend = f"write {argument} {value}, or {argument}={value} where it begins with a dash"
            raise typer.BadParameter(
                f"needs a value (got {follows!r}, an option); {mend}", param_hint=argument
            )


CsvDirectory = Annotated[
    Path | None,
    typer.Option(
        "--csv",
        metavar="DIR",
        file_okay=False,
        help="Also write the figures as CSV files into this directory.",
    ),
]

ParquetDirectory = Annotated[
    Path | None,
    typer.Option("--parquet", metavar="DIR", file_okay=False, help="The tables of --csv as Parquet files."),
]


PageFile = Annotated[
    Path | None,
    typer.Option(
        "--html", metavar="FILE", dir_okay=False, help="Also write one page to read, print and keep."
    ),
]


def deliver(  # noqa: PLR0913 - one per option
    result: Result,
    *,
    as_json: bool,
    full: bool = False,
    csv: Path | None = None,
    parquet: Path | None = None,
    html: Path | None = None,
    keep: Path | None = None,
) -> None:
    """Write files, print the document or the screen, and leave with 1 where nothing found would do.

    ``keep`` is a path that is not broken across lines in what is said then.
    """
    if csv is not None or parquet is not None or html is not None:
        _write_files(result, csv, parquet, html)
    if as_json:
        from dispatch.exports.files import json_text

        write(json_text(result.document()))
    else:
        show(result.in_full() if full else result)
    if (reason := result.no_answer()) is not None:
        stop(reason, NO_ANSWER, keep=keep)


def _write_files(result: Result, csv: Path | None, parquet: Path | None, html: Path | None) -> None:
    from dispatch.writing import together

    with together():
        if csv is not None:
            result.write_csv(csv)
        if parquet is not None:
            from dispatch.exports.parquet import beside_csv

            beside_csv(result.write_csv, parquet)
        for folder in _apart({"--csv": csv, "--parquet": parquet}).values():
            result.write_origin(folder)
        if html is not None:
            result.write_page(html)


def _apart(folders: Mapping[str, Path | None]) -> dict[str, Path]:
    """Return the folders that were named by option, each folder once."""
    named = {option: folder for option, folder in folders.items() if folder is not None}
    places = {os.path.realpath(folder): option for option, folder in reversed(named.items())}
    return {option: folder for option, folder in named.items() if option in places.values()}


@contextmanager
def promised(
    files: Mapping[str, Path | None],
    folders: Mapping[str, Path | None] | None = None,
    names: Sequence[str] = (),
    inputs: Sequence[Path | None] = (),
) -> Iterator[None]:
    """Refuse at once what cannot be written, or would write over what this command reads.

    Parameters
    ----------
    files, folders : mapping of str to Path or None
        By option; None where it was not given.
    names : sequence of str
        Names of the files that ``--csv`` writes into its folder, ``*`` for any part; ``--parquet`` by the same stems.
    inputs : sequence of Path or None
        Files and scenario folders named on the command line.
    """
    asked = {**files, **(folders or {})}
    if not any(path is not None for path in asked.values()):
        yield
        return
    from dispatch import writing
    from tariffs.reading.opening import Target

    targets = [Target(option, path) for option, path in files.items() if path is not None]
    for option, path in (folders or {}).items():
        if path is not None:
            kind = "parquet" if option == "--parquet" else "csv"
            targets.append(Target(option, path, tuple(f"{name}.{kind}" for name in names)))
    places = _apart(folders or {})
    targets += [Target(option, folder, (writing.ORIGIN_FILE,)) for option, folder in places.items()]
    with writing.promised(targets, [path for path in inputs if path is not None]):
        yield


_SAYS = {"progress": True}


def be_quiet() -> None:
    """Show no progress from now on; refusals are still said."""
    _SAYS["progress"] = False


# ---- stdout ------------------------------------------------------------------------------------------------
def show(renderable: object) -> None:
    """Print a report on stdout: 80 columns; no colour where stdout is no terminal or NO_COLOR is set."""
    from rich.console import Console

    from dispatch.report.layout import NARROWEST

    terminal = sys.stdout.isatty()
    console = Console(
        force_terminal=terminal,
        color_system="auto" if terminal else None,
        highlight=False,
        emoji=False,
        markup=False,
    )
    # wider lines read no better; a pipe has no width of its own, whatever terminal is behind it
    console.width = max(min(console.width, WIDTH), NARROWEST) if terminal else WIDTH
    with console.capture() as capture:
        console.print(_Harmless(renderable))
    text = capture.get()
    # cells are padded to the page's width; in a file or a diff that is noise
    _put(text if terminal else "\n".join(map(str.rstrip, text.split("\n"))))


class _Harmless:
    """A report in which no name can move the cursor, change colours or turn text round."""

    def __init__(self, report: object) -> None:
        self._report = report

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        from rich.segment import Segment

        from tariffs.reading.refusals import visible

        for part in console.render(self._report, options):  # type: ignore[arg-type]
            yield part if part.control else Segment(visible(part.text), part.style)


def write(text: str) -> None:
    """Write plain text to stdout."""
    from tariffs.reading.refusals import visible

    _put(visible(text))


def _put(text: str) -> None:
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")  # an invented name may hold letters the terminal has not
    sys.stdout.write(text)  # whose other end may be gone: see streams
    sys.stdout.flush()


# ---- stderr ------------------------------------------------------------------------------------------------
@contextmanager
def native_output_on_stderr() -> Iterator[None]:
    """Send what the solver's own code prints to stderr: mixed-integer solves now and then talk on stdout."""
    sys.stdout.flush()
    result = os.dup(1)
    os.dup2(2, 1)
    try:
        yield
    finally:
        os.dup2(result, 1)
        os.close(result)


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """Give a callback that draws a progress bar on stderr; None where stderr is no terminal."""
    with native_output_on_stderr(), _bar() as progress, long_solves_told():
        yield progress


@contextmanager
def long_solves_told() -> Iterator[None]:
    """Tell on stderr how far a long solve is."""
    from dispatch.program.watch import Watch

    def tell(text: str) -> None:
        sys.stderr.write(("\n" if sys.stderr.isatty() else "") + wrapped(text) + "\n")
        sys.stderr.flush()

    Watch.say = staticmethod(tell)
    try:
        yield
    finally:
        Watch.say = None
        Watch.stop.clear()


@contextmanager
def _bar() -> Iterator[Progress | None]:
    if not sys.stderr.isatty() or not _SAYS["progress"]:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from tariffs.reading.refusals import visible

    columns = (TextColumn("{task.description:<18}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=None)

        def tell(done: int, total: int, label: str) -> None:
            bar.update(task, completed=done, total=total, description=visible(label))

        yield tell


@contextmanager
def refusals(scenario: Path | None = None) -> Iterator[None]:
    """Turn everything that can go wrong into one message on stderr and an exit code.

    Parameters
    ----------
    scenario : pathlib.Path, optional
        The argument, never broken across lines in a message.
    """
    try:
        yield
    except typer.Exit:
        raise
    except KeyboardInterrupt:
        raise typer.Exit(INTERRUPTED) from None
    except Exception as error:  # noqa: BLE001 - a person gets a sentence, never a traceback
        _refuse(error, scenario)


def _refuse(error: Exception, scenario: Path | None) -> NoReturn:
    from dispatch.errors import DispatchError, OutputError, ScenarioError, SeriesError
    from tariffs.errors import TariffError

    if isinstance(error, ScenarioError | SeriesError | TariffError | OutputError):
        stop(str(error), BAD_INPUT, keep=scenario)
    if isinstance(error, DispatchError):
        stop(str(error), NO_ANSWER, keep=scenario)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        stop(f"{where}{error.strerror or error}; name a path that can be used", BAD_INPUT, keep=scenario)
    if os.environ.get("DISPATCH_TRACEBACK"):
        raise error
    kind = type(error).__name__
    stop(
        f"{scenario or 'dispatch'}: internal error ({kind}: {error}). This is a fault of the program, "
        "not of the scenario: please report it, with what DISPATCH_TRACEBACK=1 adds",
        NO_ANSWER,
        keep=scenario,
    )


def stop(message: str, code: int, *, keep: Path | None = None) -> NoReturn:
    """Say why on stderr and leave with an exit code.

    Parameters
    ----------
    message : str
        The whole text; its own line breaks are kept.
    code : int
        Exit code.
    keep : pathlib.Path, optional
        A path that stays in one piece when lines are wrapped, even if it holds spaces.
    """
    from tariffs.reading.refusals import visible

    sys.stderr.write(visible(wrapped(message, str(keep) if keep else "")) + "\n")
    raise typer.Exit(code)


def wrapped(message: str, keep: str = "") -> str:
    """Wrap a message at word boundaries for a terminal; leave it alone for logs and pipes.

    Parameters
    ----------
    message : str
        Any text; lines are wrapped one by one, keeping their indent.
    keep : str
        A part that is never divided. Words, and so paths, are not divided either.
    """
    if not sys.stderr.isatty():
        return message
    import shutil
    import textwrap

    width = max(shutil.get_terminal_size((WIDTH, 24)).columns - 1, 40)
    glued = message.replace(keep, keep.replace(" ", "\0")) if keep else message
    lines = []
    for line in glued.splitlines():
        indent = " " * (len(line) - len(line.lstrip()))
        lines += textwrap.wrap(
            line,
            width,
            subsequent_indent=indent + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(lines).replace("\0", " ")
