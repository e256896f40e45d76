"""A run as the first version kept it: its journal left by a killed process, and its run file.

Both were written by that version itself and are never made again: what it wrote must open for
ever. The run lasts 7 s: a load cell at 40 Hz, a wheel at 10 Hz, a receiver at 1 Hz; marks with
values of every form it kept, and a gap of every cause it knew, with one more whose word no
version knows (``solar flare``), as a later version might leave behind.
"""

from __future__ import annotations

import gzip
import hashlib
import json
from pathlib import Path
from typing import Any, Final

from recorder.run_file.hdf5.reader import RunFile

_HERE: Final = Path(__file__).parent
_RUN_FILE: Final = _HERE / "run_file" / "hdf5" / "data"
_JOURNAL: Final = _HERE / "keeping" / "data"


def expected() -> dict[str, Any]:
    """What that version kept, as it read it back itself."""
    held: dict[str, Any] = json.loads((_RUN_FILE / "layout_1.json").read_text("utf-8"))
    return held


def sealed_run(folder: Path) -> Path:
    """The sealed run file of layout 1, unpacked into a folder."""
    path = folder / "layout_1.h5"
    path.write_bytes(gzip.decompress((_RUN_FILE / "layout_1.h5.gz").read_bytes()))
    return path


def left_journal(folder: Path) -> Path:
    """The journal of version 1 with half of its commits still in the log, unpacked."""
    for packed in sorted(_JOURNAL.glob("version_1.*.gz")):
        (folder / packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
    return folder / "version_1.h5.journal"


def check_contents(run: RunFile) -> None:
    """Every record, block, mark and gap is what that version kept."""
    held = expected()
    for name, device in held["devices"].items():
        found = run.devices[name]
        assert found.n == device["n"]
        assert _digest(found.records().tobytes()) == device["records_sha256"], name
        blocks = found.blocks()
        assert len(blocks) == device["block_rows"]
        assert _digest(blocks.tobytes()) == device["blocks_sha256"], name
    assert [mark.to_dict() for mark in run.revisions()] == held["marks"]
    gaps = {(gap.device, gap.before_record): gap for gap in run.gaps()}
    assert len(gaps) == len(held["gaps"])
    for kept in held["gaps"]:
        gap = gaps[kept["device"], kept["before_record"]]
        assert gap.lost_records == kept["lost_records"]
        # An unknown word may stand in the detail: it must be there to read all the same.
        assert kept["cause"] in f"{gap.cause}: {gap.detail}"
        assert kept["detail"] in gap.detail


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
