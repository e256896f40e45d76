"""Rows of a journal: what their check covers, and what is believed of what is read back."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from recorder.keeping.errors import JournalError
from recorder.keeping.journal_rows import (
    FORMAT,
    VERSION,
    Cursor,
    Damage,
    Rows,
    Shortfall,
    header_from,
    pack_blocks,
    row_crc,
    row_proof,
    unpack_blocks,
)
from recorder.marks.mark import Mark
from recorder.run.parts.block import Block
from tests.recorder.made_runs import header, load_cell

DTYPE = np.dtype([("tick", "<u8"), ("ch0", "<i4")])


def block(sequence: int, first: int, n: int) -> Block:
    made = np.zeros(n, DTYPE)
    made["tick"] = np.arange(first, first + n)
    return Block(
        device="cell", sequence=sequence, first_record=first, received_s=0.5,
        line=TickLine(tick0=first, t0_s=0.25, s_per_tick=1e-3), records=made,
    )  # fmt: skip


N, PAYLOAD = pack_blocks([block(3, 10, 5), block(4, 15, 2)])


def batch(row: int = 7, device: str = "cell", first: int = 10) -> tuple[Any, ...]:
    return row, device, first, N, row_crc(row, device, first, N, PAYLOAD), PAYLOAD


def mark(row: int = 2, text: str | None = None) -> tuple[Any, ...]:
    text = text or json.dumps(Mark(mark_id="m1", kind="note", t_s=3.0, value="x").to_dict())
    return row, "m1", 0, text, row_crc(row, "m1", 0, text)


def event(row: int = 5, t_s: float = 4.0, text: str = '{"a": 1}') -> tuple[Any, ...]:
    return row, "gap", t_s, text, row_crc(row, "gap", t_s, text)


class TestCheck:
    def test_it_is_that_of_the_columns_each_behind_a_separator(self) -> None:
        """As the first version wrote it: journals once written keep opening."""
        assert row_crc(12, "cell", b"\x00\x01") == zlib.crc32(b"\x1f12\x1fcell\x1f\x00\x01")

    def test_order_and_bounds_of_columns_count(self) -> None:
        told = {row_crc("ab", "c"), row_crc("a", "bc"), row_crc("c", "ab"), row_crc("abc")}
        assert len(told) == 4


class TestProof:
    """A row found without its table is told by its check alone."""

    def test_each_table_by_its_own_columns(self) -> None:
        row, device, first, n, check, payload = batch()
        found = row_proof(row, (None, device.encode(), first, n, check, payload))
        assert found == ("batches", check)
        row, mark_id, revision, text, check = mark()
        columns = (None, mark_id.encode(), revision, text.encode(), check)
        assert row_proof(row, columns) == ("marks", check)
        check = row_crc("format", "x")
        assert row_proof(1, (b"format", b"x", check)) == ("meta", check)

    @pytest.mark.parametrize("lies_as", [4, 4.0])
    def test_a_run_time_that_is_a_whole_number_may_lie_as_one(self, lies_as: float) -> None:
        row, kind, _, text, check = event()
        columns = (None, kind.encode(), lies_as, text.encode(), check)
        assert row_proof(row, columns) == ("events", check)

    def test_another_row_or_another_check_proves_nothing(self) -> None:
        row, device, first, n, check, payload = batch()
        held = (None, device.encode(), first, n, check, payload)
        assert row_proof(row + 1, held) is None
        assert row_proof(row, (*held[:4], check ^ 1, payload)) is None
        row, kind, t_s, text, check = event()
        assert row_proof(row, (None, kind.encode(), t_s, text.encode(), check ^ 1)) is None
        assert row_proof(1, (b"format", b"x", row_crc("format", "x") ^ 1)) is None
        assert row_proof(1, (None, b"x")) is None


class TestPayload:
    def test_every_cut_and_every_byte_too_many_is_refused(self) -> None:
        heads, records = unpack_blocks(DTYPE, PAYLOAD)
        assert heads["n"].tolist() == [5, 2]
        assert records["tick"].tolist() == list(range(10, 17))
        for cut in range(len(PAYLOAD)):
            with pytest.raises(ValueError, match="bytes"):
                unpack_blocks(DTYPE, PAYLOAD[:cut])
        with pytest.raises(ValueError, match="its heads promise 7 records"):
            unpack_blocks(DTYPE, PAYLOAD + b"\x00")

    def test_no_blocks_are_no_records(self) -> None:
        n, payload = pack_blocks([])
        heads, records = unpack_blocks(DTYPE, payload)
        assert (n, len(heads), len(records)) == (0, 0, 0)


class TestTaken:
    def test_what_agrees_with_its_check_is_taken_as_it_is(self) -> None:
        rows = Rows()
        assert not rows
        rows.take_batch(batch(), {"cell": DTYPE})
        rows.take_mark(mark())
        rows.take_event(event())
        (stored,) = rows.batches
        assert (stored.row, stored.device, stored.first_record) == (7, "cell", 10)
        assert [b.sequence for b in stored.blocks] == [3, 4]
        assert (rows.marks[0].mark_id, rows.marks[0].value) == ("m1", "x")
        assert (rows.events[0].kind, rows.events[0].t_s, rows.events[0].data) == (
            "gap", 4.0, {"a": 1},
        )  # fmt: skip
        assert not rows.damage
        assert rows

    def test_what_an_event_counted_is_told_beside_it_and_is_no_part_of_it(self) -> None:
        rows = Rows()
        counted = {"rows": {"batches": 4, "marks": 1, "events": 5}, "records": {"cell": 90}}
        rows.take_event(event(text=json.dumps({"a": 1, "journal": counted})))
        rows.take_event(event(row=6))
        assert [e.data for e in rows.events] == [{"a": 1}, {"a": 1}]
        assert rows.counts is not None
        assert dict(rows.counts.rows) == counted["rows"]

    @pytest.mark.parametrize("column", range(6))
    def test_a_batch_of_which_any_column_changed_is_damage(self, column: int) -> None:
        held = list(batch())
        held[column] = (8, "clock", 11, N + 1, held[4] ^ 1, PAYLOAD[:-1] + b"\x01")[column]
        rows = Rows()
        rows.take_batch(tuple(held), {"cell": DTYPE, "clock": DTYPE})
        assert not rows.batches
        (damage,) = rows.damage
        assert (damage.table, damage.row, damage.last_row) == ("batches", held[0], held[0])
        assert (damage.device, damage.why) == (held[1], "fails its check")

    def test_a_batch_of_a_device_the_run_does_not_have_is_damage(self) -> None:
        rows = Rows()
        rows.take_batch(batch(), {"clock": DTYPE})
        assert ([d.row for d in rows.damage], rows.batches) == ([7], [])

    def test_a_payload_that_is_none_says_why_though_its_check_agrees(self) -> None:
        payload = PAYLOAD[:-1]
        row = (7, "cell", 10, N, row_crc(7, "cell", 10, N, payload), payload)
        rows = Rows()
        rows.take_batch(row, {"cell": DTYPE})
        assert "heads promise 7 records" in rows.damage[0].why

    @pytest.mark.parametrize("column", range(5))
    @pytest.mark.parametrize("table", ["marks", "events"])
    def test_a_mark_or_event_of_which_any_column_changed_is_damage(
        self, table: str, column: int
    ) -> None:
        held = list(mark() if table == "marks" else event())
        held[column] = (9, "other", 1, "{}", int(held[4]) ^ 1)[column]
        rows = Rows()
        (rows.take_mark if table == "marks" else rows.take_event)(tuple(held))
        assert (rows.marks, rows.events) == ([], [])
        assert [(d.table, d.row, d.why) for d in rows.damage] == [
            (table, held[0], "fails its check")
        ]

    @pytest.mark.parametrize("text", ["3", "[1]", '"x"', "{"])
    def test_what_is_no_mark_or_event_is_damage_though_its_check_agrees(
        self, text: str
    ) -> None:
        rows = Rows()
        rows.take_mark(mark(text=text))
        rows.take_event(event(text=text))
        assert (rows.marks, rows.events) == ([], [])
        assert [d.table for d in rows.damage] == ["marks", "events"]


def test_each_kind_of_row_by_itself_is_something() -> None:
    assert not Rows()
    lost = Damage(table="marks", row=1, last_row=1, why="")
    short = Shortfall(device="cell", records=1, counted_s=1.0)
    taken = Rows()
    taken.take_batch(batch(), {"cell": DTYPE})
    marked, told = Rows(), Rows()
    marked.take_mark(mark())
    told.take_event(event())
    for rows in (Rows(damage=[lost]), Rows(short=[short]), taken, marked, told):
        assert rows


def test_a_cursor_begins_before_the_first_row() -> None:
    assert Cursor() == Cursor(batches=0, marks=0, events=0, header_checked=False)


HEADER = header(load_cell())


class TestHeader:
    META: ClassVar[dict[str, str]] = {
        "format": "testcar-journal", "version": "1", "header": HEADER.to_json(),
    }  # fmt: skip

    def test_the_first_version_is_read_for_ever(self) -> None:
        assert (FORMAT, VERSION) == ("testcar-journal", 1)
        assert header_from(self.META, Path("j")) == HEADER

    def test_a_newer_version_is_refused_with_the_way_out(self) -> None:
        with pytest.raises(JournalError, match="version 2 is newer than this program reads"):
            header_from({**self.META, "version": "2"}, Path("j"))

    def test_another_format_is_none(self) -> None:
        with pytest.raises(ValueError, match="format 'other'"):
            header_from({**self.META, "format": "other"}, Path("j"))
