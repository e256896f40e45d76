"""Children: started safely, heard in full, told to stop, gone when they are gone."""

from __future__ import annotations

import os
import subprocess
import textwrap
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.machine.child_main import set_path
from recorder.machine.child_process import ChildProcess, child_environment, python_command
from recorder.machine.child_reports import Report, ReportError, ReportTable


@dataclass(frozen=True, slots=True)
class Said(Report):
    text: str


@dataclass(frozen=True, slots=True)
class Counted(Report):
    n: int


TABLE: ReportTable[Said | Counted] = ReportTable({"said": Said, "counted": Counted})

CHILD = """
    import sys
    from dataclasses import dataclass
    from recorder.machine.child_reports import Orders, Report, ReportTable, ReportWriter

    @dataclass(frozen=True, slots=True)
    class Said(Report):
        text: str

    @dataclass(frozen=True, slots=True)
    class Counted(Report):
        n: int

    table = ReportTable({"said": Said, "counted": Counted})
"""


class Family:
    """Children made of a few lines each."""

    MODULE = "child_of_a_test"

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.heard: list[Said | Counted] = []

    def write(self, lines: str) -> None:
        text = textwrap.dedent(CHILD) + textwrap.dedent(lines)
        (self._folder / f"{self.MODULE}.py").write_text(text, "utf-8")

    def start(self, lines: str, *, orders: bool = True) -> ChildProcess[Said | Counted]:
        self.write(lines)
        return ChildProcess(
            python_command(self.MODULE, "a word"),
            name="child",
            table=TABLE,
            receive=self.heard.append,
            orders=orders,
            keep_errors=True,
        )


@pytest.fixture
def family(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Family]:
    modules = tmp_path / "modules"
    modules.mkdir()
    monkeypatch.setenv("PYTHONPATH", str(modules))
    before = set(threading.enumerate())
    yield Family(modules)
    assert set(threading.enumerate()) <= before, "a listener was left behind"


def test_all_it_reports_is_heard_in_order_before_its_end(family: Family) -> None:
    child = family.start(
        """
        report = ReportWriter(table)
        report(Said(sys.argv[1]))
        for i in range(2000):
            report(Counted(i))
        sys.exit(3)
        """
    )
    assert child.wait(60.0) == 3
    assert family.heard == [Said("a word"), *(Counted(i) for i in range(2000))]
    assert not child.noise


def test_what_is_no_report_is_noise_and_the_rest_is_heard(family: Family) -> None:
    child = family.start(
        """
        print("half a li", flush=True)
        print('{"kind": "sung"}', flush=True)
        print('{"kind": "counted", "m": 1}', flush=True)
        print("a complaint", file=sys.stderr, flush=True)
        ReportWriter(table)(Said("well"))
        """
    )
    assert child.wait(60.0) == 0
    assert family.heard == [Said("well")]
    assert sorted(child.noise) == [
        "a complaint", "half a li", '{"kind": "counted", "m": 1}', '{"kind": "sung"}',
    ]  # fmt: skip


def test_it_hears_its_first_order_and_no_other_word(family: Family) -> None:
    child = family.start(
        """
        orders = Orders(["stop", "seal"])
        report = ReportWriter(table)
        report(Said("up"))
        orders.given.wait()
        report(Said(orders.word))
        """
    )
    assert child.wait_until(lambda: family.heard == [Said("up")], 60.0)
    child.order("sing")
    child.order("seal")
    assert child.wait(60.0) == 0
    assert family.heard[1:] == [Said("seal")]
    child.order("stop")  # to one that is gone: no error


def test_the_end_of_orders_is_the_end_of_the_parent(family: Family) -> None:
    child = family.start(
        """
        orders = Orders(["stop"])
        orders.given.wait()
        ReportWriter(table)(Said(f"left alone, told {orders.word!r}"))
        """,
        orders=False,
    )
    assert child.wait(60.0) == 0
    assert family.heard == [Said("left alone, told ''")]


def test_waiting_ends_with_the_child_too(family: Family) -> None:
    child = family.start("sys.exit(4)")
    assert not child.wait_until(lambda: False, 60.0)
    assert child.returncode == 4
    child.close()


def test_waiting_takes_no_longer_than_told(family: Family) -> None:
    child = family.start("Orders(['stop']).given.wait()")
    with pytest.raises(TimeoutError, match="has not ended"):
        child.wait(0.05)
    child.kill()
    assert child.returncode not in (None, 0)
    child.kill()


@pytest.mark.skipif(os.name == "nt", reason="pipes that do not wait are POSIX's")
def test_a_child_that_may_not_wait_goes_on_unheard_and_breaks_no_line(family: Family) -> None:
    """Far more than a pipe holds (64 KiB on Linux) is reported to a parent that hangs."""
    family.write(
        """
        report = ReportWriter(table, wait=False)
        for i in range(20_000):
            report(Counted(i))
        print("went on", file=sys.stderr, flush=True)
        report.finish(Said("the end"))
        """
    )
    with subprocess.Popen(
        python_command(family.MODULE),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=child_environment(),
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        assert child.stderr.readline() == b"went on\n"
        *counted, last = [TABLE.from_json(line) for line in child.stdout]
    assert last == Said("the end")
    numbers = [report.n for report in counted if isinstance(report, Counted)]
    assert numbers == sorted(set(numbers))
    assert 1000 < len(numbers) == len(counted) < 20_000


@given(st.binary(max_size=60) | st.text(max_size=60))
@settings(deadline=None)
def test_any_line_is_a_report_or_refused(line: str | bytes) -> None:
    with pytest.raises(ReportError):
        TABLE.from_json(line)


def test_reports_come_back_as_they_went() -> None:
    for report in (Said("Łąka\n"), Counted(-7)):
        line = TABLE.to_json(report)
        assert "\n" not in line
        assert TABLE.from_json(line) == report


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        # A virtual environment: the library's own three, then site-packages.
        (
            ["/py/lib/python312.zip", "/py/lib/python3.12", "/py/lib/python3.12/lib-dynload",
             "/venv/lib/python3.12/site-packages"],
            3,
        ),
        # Packages inside the library's folder, and a path of the user's own in front.
        (["/opt/lib", "/py/lib/python3.12", "/py/lib/python3.12/site-packages"], 2),
        (["/opt/lib"], 0),
    ],
)  # fmt: skip
def test_our_place_comes_behind_the_library_and_before_all_packages(
    path: list[str], expected: int
) -> None:
    set_path(path, "/checkout", "/py/lib/python3.12")
    assert path.index("/checkout") == expected
    before = list(path)
    set_path(path, "/checkout", "/py/lib/python3.12")
    assert path == before
