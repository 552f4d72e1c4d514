"""Spoilt files and spoilt arguments for every reader and every command, and the rules each answer must keep.

``python tests/fuzz.py --seed 1 --count 100000`` is the long run, by hand; ``test_fuzz.py`` runs a few of every kind. An
input is drawn from its seed and number alone, so ``--only NUMBER`` brings one back, and ``--keep FOLDER`` its files.

The rules: exit code 0, 1 or 2; a refusal is one message that names the file or the option and what to do, never a
traceback, an internal error or a library's own words; ``--json`` prints JSON; inputs stay as they were; a refusal
leaves no file behind, and nothing leaves a temporary one; seconds of CPU and memory are bounded.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn
from unittest import mock

from fuzz_files import TOKENS, files, spoilt
from homes.home_files import Home
from homes.meter_files import SHAPES

from dispatch.__main__ import main as dispatch
from dispatch.cards.card_file import read_card
from dispatch.cards.space import device_space
from dispatch.case.case import load_scenario
from dispatch.intake.intervals import Asked
from dispatch.intake.read import understand
from dispatch.scenario.parts import read_parts
from tariffs import load_tariff, read_meter
from tariffs.errors import DispatchError
from tariffs.records.fields import read_record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from dispatch.case.case import Case


SECONDS = 30.0
MOST_MORE_KB = 1_500_000
LONGEST_MESSAGE = 20_000
FOREIGN = re.compile(
    r"Traceback|internal error|pydantic|Input should|validation error|Decimal\(|NoneType|has no attribute|"
    r"object is not|\[Errno|<class|<module| at 0x[0-9a-f]{6,}"
)


# ---- readers and commands ----------------------------------------------------------------------------------
NOW = ("--at", "2025-03-09T18:00", "--level", "62%")
# how often, and the arguments; a name in braces is a file of the folder, or one to be written
COMMANDS: tuple[tuple[int, tuple[str, ...]], ...] = (
    (60, ("check", "{scenario.toml}")),
    (20, ("check", "{scenario.toml}", "--json")),
    (25, ("bill", "{zoned.toml}", "{meter.csv}")),
    (10, ("bill", "{rich.toml}", "{meter.csv}", "--json", "--csv", "{out}")),
    (10, ("bill", "{hourly.toml}", "{meter.csv}")),
    (5, ("bill", "{tariff.toml}", "{series.csv}", "--import", "load_kw", "--time-zone", "America/Halifax")),
    (12, ("import", "{utility0.csv}", "--out", "{out.csv}", "--time-zone", "America/Toronto")),
    (
        8,
        ("import", "{utility3.csv}", "--out", "{out.csv}", "--time-zone", "America/Toronto", "--unit", "kWh"),
    ),
    (8, ("import", "{utility7.csv}", "--out", "{out.csv}", "--gaps", "interpolate:2h", "--json")),
    (8, ("import", "{espi.xml}", "--out", "{out.csv}", "--step", "60")),
    (12, ("import-tariff", "{record.json}", "--out", "{out.toml}", "--time-zone", "America/New_York")),
    (8, ("strings", "{panels.toml}")),
    (8, ("strings", "{panels.toml}", "--modules", "9", "--json")),
    (8, ("cable", "{panels.toml}")),
    (8, ("cable", "--amps", "9.5", "--volts", "96", "--length-m", "18", "--awg", "10")),
    (8, ("care", "{scenario.toml}")),
    (8, ("hardware", "{scenario.toml}", "--json")),
    (4, ("generator", "{scenario.toml}")),
    (4, ("compare", "{scenario.toml}", "--csv", "{out}", "--html", "{out.html}", "--json")),
    (3, ("backup", "{scenario.toml}", "--at", "20:00", "--level", "62%")),
    (4, ("outage", "{scenario.toml}", "--at", "2025-03-09T18:00", "--hours", "18", "--card", "{card.toml}")),
    (3, ("tonight", "{scenario.toml}", *NOW, "--forecast", "{series.csv}")),
    (2, ("storm", "{scenario.toml}", *NOW, "--from", "2025-03-10T06:00", "--hours", "9")),
    (
        3,
        (
            "settings",
            "{scenario.toml}",
            "--card",
            "{card.toml}",
            "--save",
            "{out.toml}",
            "--ics",
            "{out.ics}",
        ),
    ),
    (1, ("settings", "{scenario.toml}", "--json")),
    (2, ("tariffs", "{scenario.toml}", "{tariff.toml}", "{rich.toml}")),
    (1, ("frontier", "{scenario.toml}", "--levels", "3")),
    (1, ("size", "{scenario.toml}", "--packs", "2", "--panels", "0,1")),
    (1, ("years", "{scenario.toml}", "{series.csv}", "--as-set-only")),
    (1, ("sun", "{panels.toml}", "--weather", "clear-sky", "--year", "2025", "--out", "{out.csv}")),
    (1, ("profile", "--kwh", "3600", "--time-zone", "Europe/Lisbon", "--out", "{out.csv}", "--year", "2025")),
    (
        1,
        (
            "new",
            "{out}",
            "--time-zone",
            "America/Toronto",
            "--currency",
            "CAD",
            "--kwh",
            "9000",
            "--household",
            "family",
        ),
    ),
    (1, ("synthetic", "{out}", "--count", "1", "--seed", "1")),
    (1, ("fleet", "{}", "--out", "{out}", "--workers", "0")),
    (2, ("schema", "tariff")),
    (1, ("cache",)),
)


@cache
def sound_case() -> Case:
    with tempfile.TemporaryDirectory() as folder:
        return load_scenario(Home().write(Path(folder)))


def _card(path: Path) -> object:
    return read_card(path, sound_case(), device_space(sound_case()))


def _utility(path: Path) -> object:
    return understand(path, Asked(time_zone="America/Toronto"))


# what is read, and by what; the message of a refusal begins with the file, or names one beside it
READERS: tuple[tuple[str, Callable[[Path], object]], ...] = (
    ("tariff.toml", load_tariff),
    ("rich.toml", load_tariff),
    ("hourly.toml", load_tariff),
    ("prices.csv", lambda path: load_tariff(path.with_name("hourly.toml"))),
    ("meter.csv", lambda path: read_meter(path, "America/Halifax")),
    ("scenario.toml", load_scenario),
    ("series.csv", lambda path: load_scenario(path.with_name("scenario.toml"))),
    ("card.toml", _card),
    ("panels.toml", read_parts),
    ("record.json", read_record),
    ("espi.xml", _utility),
    *((f"utility{at}.csv", _utility) for at in range(len(SHAPES))),
)


class Hang(BaseException):
    """More seconds of CPU than any answer may take."""


@dataclass(frozen=True)
class Answer:
    """What came of an input: its arguments or reader, what broke a rule ("" for nothing), exit code, message."""

    what: str
    fault: str
    code: int
    message: str


def answer(seed: int, number: int, folder: Path, commands: float = 0.3) -> Answer:
    """Draw one input into an empty folder, give it to a reader or a command, and hold the answer to the rules."""
    chance = random.Random(f"{seed}:{number}")  # noqa: S311 - a draw, no secret
    by_command = chance.random() < commands
    words = _draw_command(chance) if by_command else ()
    reader = "" if by_command else chance.choice(READERS)[0]
    used = re.findall(r"{([^}]+)}", " ".join(words)) if by_command else [reader]
    read = [name for name in used if name in files()]
    for name in {*read, "scenario.toml", "series.csv", "tariff.toml", *(("prices.csv", "hourly.toml"))}:
        (folder / name).write_text(files()[name], encoding="utf-8")
    spoil = [name for name in read if name != "hourly.toml"] + (
        ["series.csv"] if "scenario.toml" in read else []
    )
    for name in chance.sample(spoil, min(len(spoil), chance.choice((1, 1, 1, 2)))):
        (folder / name).write_bytes(spoilt(chance, files()[name]))
    before = _contents(folder)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.process_time()
    found = _run(_argued(chance, words, folder), folder) if by_command else _read(reader, folder)
    fault = found.fault or _left_behind(folder, before, found)
    if (spent := time.process_time() - began) > SECONDS:
        fault = fault or f"{spent:.0f} s of CPU"
    if (more := resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - peak) > MOST_MORE_KB:
        fault = fault or f"{more / 1e6:.1f} GB more"
    return Answer(found.what, fault, found.code, found.message)


def _draw_command(chance: random.Random) -> tuple[str, ...]:
    return chance.choices([words for _, words in COMMANDS], [often for often, _ in COMMANDS])[0]


def _argued(chance: random.Random, words: tuple[str, ...], folder: Path) -> list[str]:
    """Put paths in, and now and then a token, a missing or a doubled argument."""
    argued = [
        re.sub(
            r"{([^}]*)}",
            lambda found: str(folder / "new" / found[1] if found[1].startswith("out") else folder / found[1]),
            word,
        )
        for word in words
    ]
    (folder / "new").mkdir()
    slip = chance.random()
    if slip < 0.25 and len(argued) > 1:
        at = chance.randrange(1, len(argued))
        if slip < 0.18:
            argued[at] = chance.choice(TOKENS).replace("\0", "")
        elif slip < 0.21:
            del argued[at]
        else:
            argued.insert(at, chance.choice(argued))
    return argued


def _read(name: str, folder: Path) -> Answer:
    path = folder / name
    try:
        with _bounded():
            dict(READERS)[name](path)
    except DispatchError as error:
        return Answer(name, _objections(str(error), folder), 2, str(error))
    except Hang:
        return Answer(name, "hangs", 99, "")
    except Exception as error:  # noqa: BLE001 - that is what is looked for
        return Answer(name, f"{type(error).__name__}: {error}", 99, "")
    return Answer(name, "", 0, "")


def _run(words: list[str], folder: Path) -> Answer:
    what = " ".join(words).replace(str(folder), "")[:300]
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="surrogateescape") for _ in range(2))
    code: object = 0
    fault = ""
    with (
        mock.patch.object(sys, "argv", ["dispatch", *words]),
        contextlib.chdir(folder / "new"),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            with _bounded():
                dispatch()
        except SystemExit as left:
            code = left.code or 0
        except Hang:
            fault = "hangs"
        except BaseException as error:  # noqa: BLE001 - that is what is looked for
            fault = f"{type(error).__name__}: {error}"
    shown, told = (_text(stream) for stream in (out, err))
    if not fault and code not in {0, 1, 2}:
        fault = f"exit code {code}"
    if not fault and code == 2:
        fault = (
            _objections(told, folder, words)
            if not shown or words[0] == "import"
            else "a refusal prints on stdout"
        )
    if not fault and code == 1:
        fault = "" if told.strip() else "exit code 1 without a reason"
    if not fault and code == 1 and (found := FOREIGN.search(told)):
        fault = f"says {found[0]!r}"
    if not fault and code in {0, 1} and "--json" in words and shown:
        fault = _no_json(shown)
    return Answer(what, fault, code if isinstance(code, int) else 99, told)


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    stream.seek(0)
    return stream.read()


def _no_number(name: str) -> NoReturn:
    raise ValueError(name)


def _no_json(text: str) -> str:
    try:
        json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return "no JSON on stdout"
    return ""


@contextlib.contextmanager
def _bounded() -> Iterator[None]:
    def ring(_signal: int, _frame: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGVTALRM, ring)
    signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def _objections(message: str, folder: Path, words: Sequence[str] = ()) -> str:
    """What is wrong with the message of a refusal."""
    # a slip of an argument is told by the library that reads arguments
    if (found := FOREIGN.search(message)) and not message.startswith("Usage:"):
        return f"says {found[0]!r}"
    if not message.strip():
        return "no message"
    if len(message) > LONGEST_MESSAGE:
        return f"a message of {len(message):,} characters"
    if any(ord(letter) < 32 and letter not in "\n\t" for letter in message):
        return "a control character in the message"
    named = (
        str(folder) in message
        or folder.name in message
        or re.search(r"--\w+|'[A-Z|_]+'|argument|option|command", message)
    )
    if not named and not any(word.strip(" \t\ufeff\u202e")[:20] in message for word in words[1:]):
        return "names neither file nor option"
    return ""


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _left_behind(folder: Path, before: dict[str, bytes], found: Answer) -> str:
    after = _contents(folder)
    if lost := [name for name, data in before.items() if after.get(name) != data]:
        return f"changed its input {lost[0]}"
    new = set(after) - set(before)
    if strange := [name for name in new if re.search(r"\.(tmp|part)$|/\.", name)]:
        return f"left {strange[0]} behind"
    if new and found.code == 2 and not found.what.startswith(("fleet", "synthetic")):
        return f"refused, and wrote {min(new)}"
    return ""


# ---- many of them ------------------------------------------------------------------------------------------
def fuzz(seed: int, numbers: range, commands: float, tell: Callable[[str], object]) -> Counter[str]:
    """Draw many inputs; tell what broke a rule, each kind of fault a few times; count codes and faults."""
    counted: Counter[str] = Counter()
    place = Path(tempfile.mkdtemp(prefix="fuzz"))
    settings = {"DISPATCH_CACHE_DIR": "", "NO_COLOR": "1", "COLUMNS": "80"}
    with mock.patch.dict(os.environ, settings):
        for number in numbers:
            folder = place / f"n{number}"
            folder.mkdir()
            found = answer(seed, number, folder, commands)
            counted[f"exit code {found.code}" if not found.fault else "faults"] += 1
            if found.fault:
                kind = re.sub(r"\d+", "N", found.fault)[:60]
                counted[kind] += 1
                if counted[kind] <= 5:
                    tell(f"{number}: {found.what}: {found.fault}\n    {found.message[:400]!r}\n")
            shutil.rmtree(folder, ignore_errors=True)
    shutil.rmtree(place, ignore_errors=True)
    return counted


def main() -> None:
    """Run many, or one again."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument(
        "--commands", type=float, default=0.3, help="share of inputs that go to a whole command"
    )
    parser.add_argument("--only", type=int, help="one input again")
    parser.add_argument("--keep", type=Path, help="with --only: folder for its files")
    options = parser.parse_args()
    if options.only is not None:
        folder = options.keep or Path(tempfile.mkdtemp(prefix="fuzz"))
        folder.mkdir(parents=True, exist_ok=True)
        with mock.patch.dict(os.environ, {"DISPATCH_CACHE_DIR": "", "NO_COLOR": "1", "COLUMNS": "80"}):
            found = answer(options.seed, options.only, folder, options.commands)
        sys.stdout.write(f"{folder}\n{found}\n")
        return
    began = time.process_time()
    numbers = range(options.first, options.first + options.count)
    counted = fuzz(options.seed, numbers, options.commands, sys.stdout.write)
    sys.stdout.write(
        f"{options.count:,} inputs, seed {options.seed}, {time.process_time() - began:,.0f} s: {dict(counted)}\n"
    )


if __name__ == "__main__":
    main()
