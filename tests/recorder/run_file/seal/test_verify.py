"""Any byte changed after the seal is found; hostile files are one clear line, never a hang."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.command_line.main import main
from recorder.exchange.description import describe
from recorder.run.parts.errors import RunFileError
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.open import is_marked, lookup3, open_for_reading
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digests import CLOSING_BYTES
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import MadeRun, append_blocks
from tests.recorder.run_file.proof.honest_run import without_digests


def test_a_sealed_run_is_sound(sealed: Path) -> None:
    parts: list[float] = []
    assert verify_run(sealed, progress=lambda part, _what: parts.append(part)) == []
    assert parts == sorted(parts)
    assert parts[-1] == 1.0


def test_every_flipped_bit_is_found(sealed: Path, tmp_path: Path) -> None:
    """Anywhere: in samples, in the library's own structures, in room nobody uses."""
    raw = sealed.read_bytes()
    rng = np.random.default_rng(5)
    places = [*rng.integers(0, len(raw), 40), 8, 11, 47, len(raw) - 1, len(raw) - CLOSING_BYTES]
    for at in places:
        changed = bytearray(raw)
        changed[at] ^= 1 << int(rng.integers(0, 8))
        (tmp_path / "x.h5").write_bytes(changed)
        assert verify_run(tmp_path / "x.h5") != [], at


def _values(file: h5py.File) -> None:
    file["devices/cell/pull"][100] += 0.001


def _attribute(file: h5py.File) -> None:
    file["devices/cell/pull"].attrs["units"] = "lbf"


def _stranger(file: h5py.File) -> None:
    file["devices/cell/more"] = np.arange(3)


def _missing(file: h5py.File) -> None:
    del file["overview/pull/level_0"]


@pytest.mark.parametrize("harm", [_values, _attribute, _stranger, _missing])
def test_what_an_hdf5_editor_changes_is_found(
    copied: Path, harm: Callable[[h5py.File], None]
) -> None:
    with h5py.File(copied, "r+") as file:
        harm(file)
    findings = verify_run(copied)
    assert any("closing line is missing" in line for line in findings)
    if harm is not _attribute:
        names = {
            "_values": "cell/pull:",
            "_stranger": "cell/more",
            "_missing": "level_0: missing",
        }
        assert any(names[harm.__name__] in line for line in findings)


def test_digests_that_are_missing_are_a_finding(copied: Path) -> None:
    """They were not looked for, and nothing else was wrong."""
    assert verify_run(without_digests(copied)) == ["its digests are missing"]


def test_a_damaged_sample_is_named(sealed: Path, tmp_path: Path, made: MadeRun) -> None:
    raw = sealed.read_bytes()
    needle = made.records("cell")["ch0"][:200].tobytes()
    at = raw.index(needle)
    (tmp_path / "x.h5").write_bytes(raw[: at + 3] + b"\xff" + raw[at + 4 :])
    assert verify_run(tmp_path / "x.h5") == [
        "damaged: it is not byte for byte what was sealed",
        "devices/cell/raw_ch0: damaged: its digest is not that of the seal",
    ]


CUT_VERBS = (
    ["info"], ["marks"], ["zeros"], ["notes"], ["verify"], ["export", "--out", "cut.tables"],
    ["report", "--out", "cut.report"], ["replay"],
)  # fmt: skip


@pytest.mark.parametrize("verb", CUT_VERBS, ids=lambda verb: verb[0])
@pytest.mark.parametrize("least", [40, 100, None])
def test_a_file_that_was_cut_short_is_told_so_with_what_to_do(
    sealed: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    verb: list[str],
    least: int | None,
) -> None:
    raw = sealed.read_bytes()
    n = least or len(raw) // 2
    cut = tmp_path / "cut.h5"
    cut.write_bytes(raw[:n])
    assert main([verb[0], str(cut), *verb[1:]]) in (1, 2)
    told = capsys.readouterr().err.splitlines()[0]
    # The closing lines stand behind what HDF5 counts.
    needs = 48 if n < 48 else int.from_bytes(raw[28:36], "little")
    assert f"cut short: {n:,} bytes are there, it needs at least {needs:,}" in told
    assert "sound copy" in told
    assert "testcar recover" in told
    assert "Unable to" not in told


def test_first_bytes_that_fail_their_check_are_told_in_our_words(
    sealed: Path, tmp_path: Path
) -> None:
    raw = bytearray(sealed.read_bytes())
    raw[30] ^= 1
    (tmp_path / "x.h5").write_bytes(raw)
    told = verify_run(tmp_path / "x.h5")[0]
    assert told.startswith("cannot be opened: its first 48 bytes fail their check")


def test_a_cut_file_is_damaged_and_no_file_is_wrong_use(sealed: Path, tmp_path: Path) -> None:
    raw = sealed.read_bytes()
    path = tmp_path / "x.h5"
    for size in (len(raw) - 1, len(raw) // 2, 5000, 60, 9):
        path.write_bytes(raw[:size])
        assert len(verify_run(path)) >= 1
    for content in (b"", b"abc", b"\x00" * 4000):
        path.write_bytes(content)
        with pytest.raises(RunFileError, match="not a run file"):
            verify_run(path)
    with pytest.raises(FileNotFoundError):
        verify_run(tmp_path / "none.h5")


def test_other_hdf5_files_are_no_runs(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "x.h5", "w") as file:
        file["a"] = 1
    for call in (verify_run, open_run):
        with pytest.raises(RunFileError, match="HDF5 file of another kind"):
            call(tmp_path / "x.h5")


def test_an_unsealed_run_is_not_sound(tmp_path: Path, made: MadeRun) -> None:
    made.filed(tmp_path / "run.h5")
    assert any("not sealed" in line for line in verify_run(tmp_path / "run.h5"))


def test_a_damaged_companion_is_a_finding(copied: Path) -> None:
    companion_path(copied).write_bytes(b"SQLite format 3\x00" + b"\xff" * 3000)
    (line,) = verify_run(copied)
    assert "run.h5.notes" in line


def test_a_companion_of_another_run_is_a_finding(copied: Path) -> None:
    Companion(companion_path(copied), "another run", "sha256:1").set_result(
        "x", 1, by="me", version="1"
    )
    (line,) = verify_run(copied)
    assert "belongs to run 'another run'" in line


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_hostile_file_opens_or_is_one_line(
    sealed: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    raw = bytearray(sealed.read_bytes())
    # Half of the harm where the library keeps its own structures.
    reach = data.draw(st.sampled_from([6000, len(raw) - 1]))
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, reach))
        size = data.draw(st.sampled_from([1, 4, 64, 512]))
        raw[at : at + size] = data.draw(st.sampled_from([b"\x00", b"\xff", b"\x41"])) * size
    if data.draw(st.booleans()):
        del raw[data.draw(st.integers(0, len(raw) - 1)) :]
    path = tmp_path_factory.mktemp("hostile") / "x.h5"
    path.write_bytes(raw)
    told = ""
    try:
        with open_run(path) as run:
            describe(run)
            run.channels["pull"].values(0, 100)
    except RunFileError as error:
        told = str(error)
    except KeyError:
        told = "the channel's name is damaged"
    assert "\n" not in told
    path.unlink()


class TestMarkedFiles:
    """Files whose writer never closed them."""

    def test_the_hash_is_its_authors(self) -> None:
        """B. Jenkins, lookup3.c, 2006, function driver5: "Four score and seven years ago", 0."""
        assert lookup3(b"Four score and seven years ago") == 0x17770551
        assert lookup3(b"") == 0xDEADBEEF

    def test_the_superblock_of_a_real_file_agrees(self, sealed: Path) -> None:
        head = sealed.read_bytes()[:48]
        assert lookup3(head[:44]) == int.from_bytes(head[44:48], "little")
        assert not is_marked(head)

    @pytest.fixture
    def left_behind(self, tmp_path: Path, made: MadeRun) -> Path:
        """A file as a killed writer leaves it: copied while open."""
        from recorder.run_file.hdf5.live_writer import LiveWriter

        path = tmp_path / "left.h5"
        with LiveWriter(tmp_path / "run.h5", made.header) as writer:
            append_blocks(writer, [b for b in made.blocks if b.device == "cell"])
            writer.add_marks(made.marks)
            writer.sync()
            shutil.copy(tmp_path / "run.h5", path)
        return path

    @pytest.mark.parametrize("age_s", [0.0, 3600.0])
    def test_it_opens_fresh_or_old(
        self, left_behind: Path, made: MadeRun, age_s: float
    ) -> None:
        import os
        import time

        then = time.time() - age_s
        os.utime(left_behind, (then, then))
        assert is_marked(left_behind.read_bytes()[:48])
        with open_run(left_behind) as run:
            assert not run.complete
            assert run.devices["cell"].records().tobytes() == made.records("cell").tobytes()
            assert len(run.revisions()) == len(made.marks)
        assert any("not sealed" in line for line in verify_run(left_behind))

    def test_damage_is_an_error_and_not_an_endless_wait(self, left_behind: Path) -> None:
        raw = bytearray(left_behind.read_bytes())
        rng = np.random.default_rng(2)
        errors = 0
        for _ in range(60):
            changed = bytearray(raw)
            for at in rng.integers(48, len(raw), 200):
                changed[at : at + 16] = bytes(16)
            left_behind.write_bytes(changed)
            try:
                open_for_reading(left_behind).close()
            except RunFileError:
                errors += 1
        assert errors > 10
