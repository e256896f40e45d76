"""The writer of a growing file: its structure is closed before the first sample."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import Event
from recorder.run.values.calibrate import Calibrator
from recorder.run.values.overview import BinSums, base_width, coarser, resample
from recorder.run_file.hdf5.live_writer import LiveWriter
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import MadeRun, append_blocks, header, mark


def test_the_structure_is_closed_while_writing(tmp_path: Path) -> None:
    """Byte 11 of the file: 1 is open for writing, 4 is single-writer mode (HDF5's format)."""
    with LiveWriter(tmp_path / "run.h5", header()):
        assert (tmp_path / "run.h5").read_bytes()[11] == 1 | 4
    assert (tmp_path / "run.h5").read_bytes()[11] == 0


def test_a_header_that_cannot_be_laid_out_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(RunFileError):
        LiveWriter(tmp_path / "run.h5", header(certificates={}))
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_created_once_samples_are_written(tmp_path: Path, made: MadeRun) -> None:
    """The library does not refuse it: so see that the paths before and after are the same."""

    def paths(path: Path) -> list[str]:
        names: list[str] = []
        with h5py.File(path, "r") as file:
            file.visit(names.append)
        return names

    with LiveWriter(tmp_path / "empty.h5", made.header):
        pass
    with LiveWriter(tmp_path / "run.h5", made.header) as writer:
        append_blocks(writer, made.blocks)
        writer.add_marks(made.marks)
        writer.add_events([Event(kind="x", t_s=0.0, data={"long": "ü" * 2000})])
    assert paths(tmp_path / "run.h5") == paths(tmp_path / "empty.h5")
    with open_run(tmp_path / "run.h5") as run:
        # Live, what a row cannot hold is cut and says so; it stands in full in the journal.
        assert set(run.events("x")[0].data) == {"words_cut"}
        assert [m.extra for m in run.revisions()][2] == {"words_cut": True}


def test_live_values_use_what_is_known_so_far(tmp_path: Path, made: MadeRun) -> None:
    with LiveWriter(tmp_path / "run.h5", made.header) as writer:
        writer.add_events([e for e in made.events if isinstance(e, Event)])
        append_blocks(writer, made.blocks)
    with open_run(tmp_path / "run.h5") as run:
        assert run.channels["pull"].values(0, 1)[0] == pytest.approx(100.0, abs=1e-4)
        assert np.isnan(run.channels["speed"].values()).all()
        assert run.channels["distance"].values(0, 1)[0] == 0.0
        assert np.all(np.diff(run.devices["cell"].time_s()) >= 0.0)


@pytest.mark.parametrize("bug", [TypeError, ValueError, KeyError])
def test_a_mistake_of_ours_is_no_refusal_by_the_library(
    tmp_path: Path, made: MadeRun, monkeypatch: pytest.MonkeyPatch, bug: type[Exception]
) -> None:
    def mistaken(*_: object) -> None:
        msg = "unheard of"
        raise bug(msg)

    monkeypatch.setattr(Calibrator, "calibrate", mistaken)
    with LiveWriter(tmp_path / "run.h5", made.header) as writer:
        with pytest.raises(bug, match="unheard of") as raised:
            append_blocks(writer, made.blocks)
        assert not isinstance(raised.value, RunFileError)


def test_times_never_run_backwards_over_a_seam(tmp_path: Path, made: MadeRun) -> None:
    cell = [b for b in made.blocks if b.device == "cell"][:4]
    early = replace(cell[2].line, t0_s=cell[2].line.t0_s - 0.02)
    cell[2] = replace(cell[2], line=early)
    with LiveWriter(tmp_path / "run.h5", made.header) as writer:
        for block in cell:
            append_blocks(writer, [block])
    with open_run(tmp_path / "run.h5") as run:
        assert np.all(np.diff(run.devices["cell"].time_s()) >= 0.0)
        assert run.devices["cell"].blocks()["t0_s"][2] == early.t0_s


def test_marks_of_any_words(tmp_path: Path) -> None:
    with LiveWriter(tmp_path / "run.h5", header()) as writer:
        writer.add_marks([mark(1.0, value="\x00\udcff" * 50, kind="k" * 100)])
    with open_run(tmp_path / "run.h5") as run:
        assert run.revisions()[0].kind == "k" * 32


class TestBins:
    def test_nan_hands_on_its_flags_only(self) -> None:
        sums = BinSums(0.0, 1.0, 2)
        sums.add(
            np.array([0.1, 0.2, 1.5]),
            np.array([np.nan, 4.0, np.nan]),
            np.array([2, 1, 8], np.uint8),
        )
        rows = sums.rows(np.dtype("<f8"))
        assert rows["flags"].tolist() == [3, 8]
        assert rows["count"].tolist() == [1, 0]
        assert rows["minimum"][0] == rows["maximum"][0] == rows["mean"][0] == 4.0
        assert np.isnan(rows["minimum"][1])

    def test_pieces_give_what_the_whole_gives(self) -> None:
        rng = np.random.default_rng(3)
        time_s = np.sort(rng.uniform(0, 10, 1000))
        values = rng.normal(size=1000)
        flags = rng.integers(0, 16, 1000).astype(np.uint8)
        whole, pieces = BinSums(0.0, 0.1, 100), BinSums(0.0, 0.1, 100)
        whole.add(time_s, values, flags)
        for at in range(0, 1000, 7):
            pieces.add(time_s[at : at + 7], values[at : at + 7], flags[at : at + 7])
        one, other = whole.rows(np.dtype("<f8")), pieces.rows(np.dtype("<f8"))
        for name in ("minimum", "maximum", "flags", "count"):
            assert np.array_equal(one[name], other[name], equal_nan=True)
        assert np.allclose(one["mean"], other["mean"], equal_nan=True)

    def test_coarser_levels_keep_extremes_and_weigh_means(self) -> None:
        sums = BinSums(0.0, 1.0, 6)
        sums.add(
            np.array([0.5, 0.6, 1.5, 5.5]), np.array([1.0, 3.0, 10.0, -1.0]), np.zeros(4, "u1")
        )
        level = coarser(sums.rows(np.dtype("<f8")))
        assert level["count"].tolist() == [3, 1]
        assert level["minimum"].tolist() == [1.0, -1.0]
        assert level["maximum"].tolist() == [10.0, -1.0]
        assert level["mean"].tolist() == pytest.approx([14.0 / 3.0, -1.0])

    def test_odd_spans_are_one_bin(self) -> None:
        assert base_width(0.0, 0.0, 10) == (1.0, 1)
        assert base_width(0.0, np.inf, 10) == (1.0, 1)
        assert base_width(0.0, np.nan, 10) == (1.0, 1)
        assert base_width(0.0, 64.0, 128) == (32.0, 2)

    def test_empty_rows_resample_to_nothing(self) -> None:
        rows = BinSums(0.0, 1.0, 4).rows(np.dtype("<f4"))
        seen = resample(rows, 0.0, 1.0, 0.0, 4.0, 2)
        assert seen.count.tolist() == [0, 0]
        assert np.isnan(seen.maximum).all()
