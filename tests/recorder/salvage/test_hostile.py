"""No page makes the walk loop, grow or fall over; a row is given only if it proves itself."""

from __future__ import annotations

import errno
import os
import random
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.keeping.journal_rows import row_proof
from recorder.salvage.cells import LEAF, cell_at, columns_of, scanned
from recorder.salvage.images import Images
from recorder.salvage.log import Log, frames_told
from recorder.salvage.page_file import PageFile
from recorder.salvage.tails import lost_frames, tail_of
from recorder.salvage.walk import Walk

PAGE = 512


def walked(path: Path, pages: list[bytes]) -> Walk:
    head = bytearray(pages[0])
    head[:18] = b"SQLite format 3\0" + struct.pack(">H", PAGE)
    path.write_bytes(b"".join([bytes(head), *pages[1:]]))
    with Images(path, PAGE) as images:
        walk = Walk(images, row_proof)
        for table, root in (("batches", 2), ("marks", 3), ("events", 4)):
            tail_of(walk, table, root, 0, 0)
        lost_frames(walk)
        return walk


def leaf(*cells: bytes) -> bytes:
    page = bytearray(PAGE)
    at, starts = PAGE, []
    for cell in cells:
        at -= len(cell)
        page[at : at + len(cell)] = cell
        starts.append(at)
    page[:8] = struct.pack(">BHHHB", LEAF, 0, len(cells), at, 0)
    page[8 : 8 + 2 * len(starts)] = struct.pack(f">{len(starts)}H", *starts)
    return bytes(page)


def inner(right: int, *kids: int) -> bytes:
    page = bytearray(PAGE)
    starts = [PAGE - 5 * (i + 1) for i in range(len(kids))]
    for at, kid in zip(starts, kids, strict=True):
        page[at : at + 5] = struct.pack(">IB", kid, 1)
    page[:12] = struct.pack(">BHHHBI", 5, 0, len(kids), PAGE - 5 * len(kids), 0, right)
    page[12 : 12 + 2 * len(kids)] = struct.pack(f">{len(kids)}H", *starts)
    return bytes(page)


def long_cell(size: int, chain: int) -> bytes:
    """A row of the marks that claims so many bytes, of which the rest is in a chain."""
    text = 2 * (size - 60) + 13
    varint = bytes([0x80 | text >> 21 & 0x7F, 0x80 | text >> 14 & 0x7F])
    varint += bytes([0x80 | text >> 7 & 0x7F, text & 0x7F])
    record = bytes([9, 0, 33, 1]) + varint + bytes([4]) + bytes(100)
    body = bytes([0x80 | size >> 21 & 0x7F, 0x80 | size >> 14 & 0x7F])
    body += bytes([0x80 | size >> 7 & 0x7F, size & 0x7F, 1])
    return body + record + struct.pack(">I", chain)


def test_trees_that_go_in_circles_end(tmp_path: Path) -> None:
    kids = [2, 3, 4, 5] * 20
    pages = [bytes(PAGE), *(inner(page, *kids[:60]) for page in (3, 4, 2, 5))]
    assert walked(tmp_path / "j", pages).tables == {}


def test_chains_that_go_in_circles_end(tmp_path: Path) -> None:
    chains = [struct.pack(">I", n) + bytes(PAGE - 4) for n in (4, 3, 5)]
    pages = [bytes(PAGE), leaf(long_cell(4_000_000, 3), long_cell(2_000, 5)), *chains]
    assert walked(tmp_path / "j", pages).tables == {}


class Gone(list[int]):
    """Counts how often it is gone through."""

    looks = 0

    def __iter__(self) -> Iterator[int]:
        self.looks += 1
        return super().__iter__()


def test_a_log_that_is_damaged_throughout_is_gone_through_a_few_times_not_once_a_frame(
    tmp_path: Path,
) -> None:
    path = tmp_path / "j"
    frame = struct.pack(">II8s8x", 9, 0, b"saltsalt") + bytes([7]) * PAGE
    path.with_name("j-wal").write_bytes(bytes(32) + 200 * frame)
    path.write_bytes(leaf())
    bad = Gone(range(200))
    with Images(path, PAGE) as images:
        images.log = Log(pages=[9] * 200, end=200, committed=200, bad=bad)
        walk = Walk(images, row_proof)
        assert len(lost_frames(walk)) == 200
    assert bad.looks <= 5


def test_a_length_of_gigabytes_asks_for_nothing() -> None:
    page = bytes([0xFF] * 8 + [0x7F, 1]) + bytes(PAGE - 10)
    assert cell_at(page, 0) is None
    assert columns_of(b"\x05\x00" + b"\xff" * 8 + b"\x7f") is None


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_bytes_end_and_give_no_row(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    dice = random.Random(data.draw(st.integers(0, 2**32)))
    kinds = data.draw(st.lists(st.sampled_from([0, 2, 5, 10, 13]), min_size=2, max_size=12))
    pages = []
    for kind in kinds:
        page = bytearray(dice.randbytes(PAGE))
        page[0], page[3] = kind, dice.choice([0, 0, page[3]])
        pages.append(bytes(page))
    path = tmp_path_factory.mktemp("any") / "j"
    (path.parent / "j-wal").write_bytes(dice.randbytes(data.draw(st.integers(0, 3_000))))
    assert walked(path, pages).tables == {}


@given(page=st.binary(min_size=PAGE, max_size=PAGE))
@settings(max_examples=50, deadline=None)
def test_cells_stay_on_their_page(page: bytes) -> None:
    for start in range(len(page)):
        cell = cell_at(page, start)
        assert cell is None or start < cell.at <= cell.end <= len(page)
    assert len(list(scanned(page))) <= 12 * len(page)


def test_a_page_that_the_disk_does_not_give_is_told_and_the_others_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "f").write_bytes(b"".join(bytes([i]) * PAGE for i in range(8)))
    given = os.pread

    def failing(handle: int, n: int, at: int) -> bytes:
        if at <= 3 * PAGE < at + n:
            raise OSError(errno.EIO, "Input/output error")
        return given(handle, n, at)

    monkeypatch.setattr("recorder.salvage.page_file.os.pread", failing)
    with PageFile(tmp_path / "f", PAGE) as file:
        read = [file.read(i) for i in range(9)]
        assert file.unread == {3: "Input/output error"}
    assert read == [*(bytes([i]) * PAGE for i in range(3)), None,
                    *(bytes([i]) * PAGE for i in range(4, 8)), None]  # fmt: skip


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
def test_a_pipe_in_place_of_the_logs_index_holds_nobody_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "f-shm")
    assert frames_told(tmp_path / "f-shm", b"") == (0, 0)
