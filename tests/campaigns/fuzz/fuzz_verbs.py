"""Every verb over every kind of file and absurd values of every option: none has a bug to tell.

``python tests/campaigns/fuzz/fuzz_verbs.py --tries 2000 --seed 1`` prints what was found. A try
ends in success, in ``no``, or in one refusal; never in an internal error, a flood, a hang, JSON
that is none, or words that steer the terminal.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

from calibration.quantities.printable import printable
from recorder.command_line.main import main
from tests.campaigns.fuzz.materials import FORGED, STEERING, materials

__all__ = ["Finding", "tried"]

LONGEST_S = 60
MOST_OUTPUT = 1_000_000
BASES = Path(__file__).with_name("command_lines.txt").read_text("utf-8").splitlines()
"""Command lines that do their work (but those that would go on for long, which lack a number);
``@`` stands before the name of a file. In each try some words are others."""
ABSURD = (
    "nan", "inf", "-inf", "1e308", "-1e308", "-1", "0", "1e-320", "", " ", "x" * 100_000, STEERING,
    "\udcff", "9" * 5000, "a=b", "a=nan", "pull=x:kN", "pull=1e999%", "=", "2026-02-30",
    "0001-01-01", "9999-12-31", "1 in 0", "-0", "0x10", "1_000", "٣", "1,5", "../..", "/", "-",
    "--", "'; x", "%s%n", "pull", "cell", "1s", "0m", "1e9km", "milepost", "wind=1", "1e300m",
    "1" * 30, "1:99:99", "-1:00", "1e5%", "pull=", "pull=-1", "speed=speed_m_s:degC", "3-1", "1-",
    "1-99999999999", "2026-01-02T03:04:05+99:00", "10s", "1e-9s", "1e-300m", "throttle", "a\0b",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """A try that did not end as it must."""

    words: tuple[str, ...]
    why: str


class OvertimeError(BaseException):
    """A try took too long."""


def _overtime(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise OvertimeError


def command_lines(chance: random.Random, held: dict[str, str], n: int) -> Iterator[list[str]]:
    """Every base in turn as it is, then with one or two of its words otherwise."""
    bases = [line.split() for line in BASES]
    for i in range(n):
        words = list(bases[i % len(bases)])
        if i >= len(bases):
            # The verb itself stays; what comes after it may be a verb's verb.
            may = [k for k in range(1, len(words)) if not words[k].startswith("--")]
            for k in chance.sample(may, min(len(may), chance.choice((1, 1, 1, 2)))):
                a_file = words[k].startswith("@") == (chance.random() < 0.85)
                words[k] = _another(chance, held, words[k]) if a_file else chance.choice(ABSURD)
        yield [held.get(w[1:], w) if w.startswith("@") else w for w in words]


def _another(chance: random.Random, held: dict[str, str], word: str) -> str:
    """Another file, as often as not of the same kind."""
    alike = [name for name in held if Path(name).suffix == Path(word).suffix]
    return f"@{chance.choice(alike if alike and chance.random() < 0.6 else list(held))}"


def tried(words: list[str]) -> tuple[str, str | None]:
    """How one command line ended, and what is wrong with that."""
    out, err = io.StringIO(), io.StringIO()
    began = time.monotonic()
    signal.signal(signal.SIGALRM, _overtime)
    signal.alarm(LONGEST_S)
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("ignore")  # as the installed command does
            code: Any = main(words)
    except SystemExit as end:
        code = end.code
    except OvertimeError:
        return "late", f"took more than {LONGEST_S} s"
    except BaseException as error:  # noqa: BLE001 - each is a finding
        return "raised", f"raised {type(error).__name__}: {str(error)[:300]}"
    finally:
        signal.alarm(0)
    told = f"{code} in {time.monotonic() - began:.0f} s"
    return told.split()[0], _wrong(words, code, out.getvalue(), err.getvalue())


def _wrong(words: list[str], code: object, out: str, err: str) -> str | None:
    both = out + err
    if code not in (0, 1, 2):
        return f"ended with {code!r}"
    for sign in ("internal error", "Traceback", "HDF5-DIAG", "Warning:"):
        if sign in both:
            return both[max(both.find(sign) - 100, 0) :][:400]
    if (len(both) > MOST_OUTPUT and "--json" not in words) or len(err) > MOST_OUTPUT // 20:
        return f"printed {len(out):,} and {len(err):,} characters"
    given = any(FORGED in word for word in words)
    if not given and any(line.lstrip().startswith(FORGED) for line in both.splitlines()):
        return f"a text of a file stands as a line of ours: {both[:300]!r}"
    if (shown := printable(both, but="\n\t")) != both:
        at = next(i for i, c in enumerate(shown) if c != both[i])
        return f"steers the terminal: {both[at : at + 10]!r}"
    if code == 2 and len(err.strip().splitlines()) > 45:
        return f"{len(err.splitlines())} lines of refusal"
    if "--json" in words and code == 0 and out.strip():
        try:
            json.loads(out, parse_constant=_no_json)
        except ValueError as error:
            return f"no JSON: {error}: {out[:100]!r}"
    return None


def _no_json(word: str) -> NoReturn:
    raise ValueError(word)


def walk(
    folder: Path, tries: int, seed: int, tell: Callable[[str], object] = len
) -> tuple[Counter[str], list[Finding]]:
    """Try so many command lines, each in a folder of its own; ``tell`` hears of each finding."""
    chance = random.Random(seed)
    held = materials(folder / "held")
    counts: Counter[str] = Counter()
    findings: list[Finding] = []
    home = Path.cwd()
    for words in command_lines(chance, held, tries):
        place = folder / "place"
        place.mkdir()
        os.chdir(place)
        try:
            ended, wrong = tried(words)
        finally:
            os.chdir(home)
            shutil.rmtree(place, ignore_errors=True)
        counts[ended] += 1
        if wrong is not None:
            findings.append(finding := Finding(tuple(w[:120] for w in words), wrong))
            counts["findings"] += 1
            tell(f"{list(finding.words)!r}\n    {finding.why}\n")
    return counts, findings


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (6 * 2**30, 6 * 2**30))
    with tempfile.TemporaryDirectory() as name:
        counts, findings = walk(Path(name), args.tries, args.seed, sys.stdout.write)
    sys.stdout.write(f"{dict(counts)}\n")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(_main())
