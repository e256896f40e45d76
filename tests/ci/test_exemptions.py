"""A reason stands beside every exemption from a rule of a tool."""

from __future__ import annotations

import io
import re
import tokenize
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
FOLDERS: Final = ("recorder", "drivers", "calibration", "simulated_feeds", "tests", ".ci")
EXEMPTION: Final = re.compile(r"# (noqa\b|type: ignore\b|pragma: no cover\b|ruff: noqa|mypy:)")
REASON: Final = re.compile(
    r"# ((?:ruff: )?noqa: [A-Z0-9, ]+|pragma: no cover) - \w|# type: ignore\[[^\]]+\] *(#|-) *\w"
)


def without_reason(text: str) -> list[int]:
    """Lines whose exemption has no reason on it, and no comment on the line above.

    One reason serves for a row of lines with the same exemption.
    """
    if not EXEMPTION.search(text):
        return []  # most files have none, and are not taken apart
    comments: dict[int, str] = {}
    alone: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            comments[token.start[0]] = token.string
            if not token.line[: token.start[1]].strip():
                alone.add(token.start[0])
    found = []
    for line, comment in comments.items():
        above = line - 1
        while EXEMPTION.match(comments.get(above, "")) and not REASON.match(comments[above]):
            above -= 1
        given = above in alone or bool(REASON.match(comments.get(above, "")))
        if EXEMPTION.search(comment) and not REASON.search(comment) and not given:
            found.append(line)
    return found


def test_reasons_are_told_from_their_absence() -> None:
    assert without_reason("a = 1  # noqa: A001\n") == [1]
    assert without_reason("a = 1  # type: ignore[misc]\n") == [1]
    assert without_reason("a = 1  # noqa: A001 - the trade's word\n") == []
    assert without_reason("a = 1  # type: ignore[misc]  # ships no types\n") == []
    assert (
        without_reason("# The trade's word.\na = 1  # noqa: A001\nb = 1  # noqa: A001\n") == []
    )
    assert without_reason("# ruff: noqa: A001\n") == [1]
    assert without_reason("# ruff: noqa: A001 - the trade's word\n") == []
    assert without_reason("s = '# noqa: A001'\n") == []


def test_every_exemption_has_its_reason() -> None:
    paths = [p for folder in FOLDERS for p in sorted((ROOT / folder).rglob("*.py"))]
    found = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in paths
        for line in without_reason(path.read_text("utf-8"))
    ]
    assert found == []
