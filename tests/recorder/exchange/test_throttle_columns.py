"""A throttle or notch that was recorded elsewhere comes in as a channel."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recorder.exchange.table_import import import_table, read_table
from recorder.run_file.hdf5.reader import open_run


@pytest.mark.parametrize(
    ("column", "quantity", "cells", "kept"),
    [
        ("throttle_pct", "throttle", ("100", "62.5", ""), (100.0, 62.5, np.nan)),
        ("notch", "notch", ("8", "5", "0"), (8.0, 5.0, 0.0)),
    ],
)
def test_the_column_is_a_channel(
    tmp_path: Path, column: str, quantity: str, cells: tuple[str, ...], kept: tuple[float, ...]
) -> None:
    rows = [f"time_s,pull_kN,speed_km_h,{column}"]
    rows += [f"{i},50,36,{cell}" for i, cell in enumerate(cells)]
    table, out = tmp_path / "t.csv", tmp_path / "run.h5"
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")
    import_table(read_table(table), out, software="test")
    with open_run(out) as run:
        channel = run.channels[quantity]
        np.testing.assert_allclose(channel.values(0, channel.n), kept)
