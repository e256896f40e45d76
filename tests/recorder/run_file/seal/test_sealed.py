"""What a sealed run tells, against what is known of the made-up run."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from recorder.run.parts.errors import RunFileError
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.hdf5 import layout
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import (
    CELL,
    DRIFT,
    LATENCY_S,
    SPEED_M_S,
    STARTED_UTC_NS,
    MadeRun,
    made_run,
)


def test_time_is_refitted_from_the_receipts(sealed: Path) -> None:
    """Truth: sample i at i/2000 s. Constant latency cannot be seen; drift can."""
    with open_run(sealed) as run:
        times = run.devices["cell"].time_s()
        truth = np.arange(len(times)) / 2000.0
        late = times - truth
        assert np.ptp(late) < 0.0008
        assert np.mean(late) == pytest.approx(LATENCY_S, abs=0.001)
        (tie,) = run.tick_ties()["cell"]
        assert tie.source == "fit"
        assert tie.drift_ppm == pytest.approx(DRIFT * 1e6, abs=60)
        assert run.tick_ties()["gnss"][0].source == "host clock"
        assert np.allclose(run.devices["gnss"].time_s(), np.arange(12) + 0.1, atol=1e-9)


def test_pull_is_made_with_the_zero_that_was_taken(sealed: Path) -> None:
    with open_run(sealed) as run:
        pull = run.channels["pull"]
        truth = 100.0 + 50.0 * np.sin(np.arange(pull.n) / 2000.0 / 3.0)
        assert np.max(np.abs(pull.values() - truth)) < 1e-4  # half a count, and float32
        assert (pull.flags() == 0).all()
        assert (pull.unit, pull.quantity, pull.has_counts) == ("kN", "pull", True)
        assert run.certificates["certs/cell.json"] == CELL


def test_distance_and_speed(sealed: Path) -> None:
    with open_run(sealed) as run:
        distance, speed = run.channels["distance"], run.channels["speed"]
        assert distance.values(0, 1)[0] == 0.0
        run_on = distance.values()[-1] - distance.values()[100]
        took = distance.time_s()[-1] - distance.time_s()[100]
        assert run_on / took == pytest.approx(SPEED_M_S, rel=0.003)
        steady = speed.values()[200:-200]
        assert np.isfinite(steady).all()
        assert np.max(np.abs(steady - SPEED_M_S)) < 0.05


def test_utc_has_its_uncertainty(sealed: Path) -> None:
    """The pulses are at whole seconds; the wheel's link is late by 4 ms, which nobody sees."""
    with open_run(sealed) as run:
        assert run.utc.source == "pulse per second"
        found = run.utc.utc_ns([1.0, 11.5])
        truth = STARTED_UTC_NS + np.array([10**9, 11_500_000_000])
        assert np.all(np.abs(found - truth) < 2 * LATENCY_S * 1e9)
        assert np.all(np.isfinite(run.utc.u_s([1.0, 11.5])))


def test_marks_gaps_events_in_full(sealed: Path, made: MadeRun) -> None:
    with open_run(sealed) as run:
        assert run.header == made.header
        assert run.revisions() == made.marks
        current = run.marks()
        assert [m.value for m in current] == ["42", ""]
        assert current[0].note == "read the post again " * 20
        (gap,) = run.gaps()
        times = run.devices["cell"].time_s()
        assert (gap.t_start_s, gap.t_end_s) == (times[99], times[100])
        assert (gap.cause, gap.lost_records, gap.detail) == ("checksum", 20, "one frame")
        assert run.gaps("wheel") == []
        assert [e.kind for e in run.events()] == ["zero", "health", "stop"]
        assert run.events("health")[0].data == {"disk_free_bytes": 10**9}
        assert run.duration_s == 12.5
        assert run.car is None
        assert run.trip is None


def test_the_fixed_tables_cut_between_characters_and_say_so(sealed: Path) -> None:
    with h5py.File(sealed, "r") as file:
        rows = file["marks/table"][:]
        assert rows["cut"].tolist() == [0, 0, 1, 0, 1]
        assert rows["note"][4].decode("utf-8").startswith("signal at clear, ää")


def test_xarray_opens_a_device_with_its_axis_in_one_line(sealed: Path) -> None:
    with xarray.open_dataset(sealed, group="devices/cell", engine="h5netcdf") as data:
        assert data["pull"].dims == ("time_s",)
        assert data["pull"].attrs["units"] == "kN"
        assert data["pull"].attrs["quantity"] == "pull"
        assert float(data["pull"].sel(time_s=5.0, method="nearest")) == pytest.approx(
            100.0 + 50.0 * np.sin(5.0 / 3.0), abs=0.2
        )
    with xarray.open_dataset(sealed, group="devices/gnss", engine="h5netcdf") as data:
        assert data["raw_sentence"].values[0] == b"$GPRMC,made"


def test_every_dataset_says_what_it_is(sealed: Path) -> None:
    with h5py.File(sealed, "r") as file:
        names: list[str] = []
        file.visititems(
            lambda name, item: names.append(name) if isinstance(item, h5py.Dataset) else None
        )
        for name in names:
            assert isinstance(file[name].attrs["units"], str), name
            assert isinstance(file[name].attrs["quantity"], str), name
            assert file[name].chunks is not None, name
        for name in ("pull", "pull_flags", "tick", "raw_ch0", "time_s"):
            column = file[f"devices/cell/{name}"]
            assert column.chunks == (layout.CHUNK,)
            assert column.compression is None
        assert file["devices/gnss/raw_sentence"].chunks == (1024,)
        assert file["devices/cell/pull"].dtype == np.dtype("<f4")
        assert file["devices/wheel/distance"].dtype == np.dtype("<f8")
        assert np.isnan(file["devices/cell/pull"].fillvalue)
        assert file["devices/cell/raw_ch0"].fillvalue == -(2**31)
        assert file["devices/cell/tick"].fillvalue == 2**64 - 1
        pull = file["devices/cell/pull"]
        assert pull.attrs["certificate_digest"] == CELL.digest
        assert file["certificates/certs%2Fcell%2Ejson"][0].decode() != ""


def test_slices_are_clipped(sealed: Path) -> None:
    with open_run(sealed) as run:
        pull = run.channels["pull"]
        assert len(pull.values(pull.n - 3, pull.n + 100)) == 3
        assert len(pull.values(50, 20)) == 0
        assert len(pull.values(-5, 2)) == 2
        assert len(run.devices["cell"].records(10**12, None)) == 0


def test_a_place_in_time_is_found(sealed: Path) -> None:
    with open_run(sealed) as run:
        device = run.devices["cell"]
        times = device.time_s()
        rng = np.random.default_rng(1)
        wanted = [-1.0, 0.0, 1e9, *times[::4999], *rng.uniform(-1, 14, 50)]
        for t_s in wanted:
            assert device.index_at(float(t_s)) == np.searchsorted(times, t_s, side="left")


@pytest.mark.parametrize(("t0_s", "t1_s", "n"), [(0, 12, 7), (3.0, 3.01, 5), (-5, 30, 100)])
def test_an_overview_is_what_the_samples_say(
    sealed: Path, t0_s: float, t1_s: float, n: int
) -> None:
    with open_run(sealed) as run:
        pull = run.channels["pull"]
        seen = run.overview("pull", t0_s, t1_s, n)
        edges = np.linspace(t0_s, t1_s, n + 1)
        index = np.searchsorted(pull.time_s(), edges, side="left")
        for i in range(n):
            values = pull.values(int(index[i]), int(index[i + 1]))
            # A sample on the very edge may fall on either side of it.
            assert abs(seen.count[i] - len(values)) <= 1
            if len(values) > 2:
                assert seen.minimum[i] == pytest.approx(values.min(), abs=0.02)
                assert seen.maximum[i] == pytest.approx(values.max(), abs=0.02)
                assert seen.mean[i] == pytest.approx(values.mean(), abs=0.02)
            elif len(values) == 0 and seen.count[i] == 0:
                assert np.isnan(seen.mean[i])


def test_stored_overviews_agree_with_the_samples(
    sealed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from recorder.run_file.hdf5 import reader

    with open_run(sealed) as run:
        exact = run.overview("pull", 0.0, 12.0, 20)
        monkeypatch.setattr(reader, "FEW_SAMPLES", -1)
        stored = run.overview("pull", 0.0, 12.0, 20)
        assert stored.count.sum() == pytest.approx(exact.count.sum(), abs=10)
        # A stored bin spills over by a quarter of a bin at most, at 50/3 kN/s of slope at most.
        slack = 50.0 / 3.0 * 0.6 / 4
        assert np.allclose(stored.minimum, exact.minimum, atol=slack)
        assert np.allclose(stored.maximum, exact.maximum, atol=slack)
        assert np.allclose(stored.mean, exact.mean, atol=slack)
        low, high, flagged = run.extremes("pull")
        assert low == pytest.approx(run.channels["pull"].values().min())
        assert high == pytest.approx(run.channels["pull"].values().max())
        assert flagged == []


def test_a_wrong_question_is_told(sealed: Path) -> None:
    with open_run(sealed) as run:
        with pytest.raises(ValueError, match="t1_s must be after t0_s"):
            run.overview("pull", 1.0, 1.0, 10)
        with pytest.raises(KeyError):
            run.overview("pulse", 0.0, 1.0, 10)


def test_the_first_layout_is_pinned(sealed: Path) -> None:
    """Files of layout 1 are out there: these paths and types stay readable for ever."""
    with h5py.File(sealed, "r") as file:
        assert file.attrs["format"] == b"testcar-run"
        assert int(file.attrs["layout_version"]) == 1
        assert int(file.attrs["complete"]) == 1
        assert json.loads(file["header/run"][0])["run_id"]
        assert sorted(file) == [
            "blocks",
            "certificates",
            "clock",
            "devices",
            "digests",
            "events",
            "gaps",
            "header",
            "marks",
            "overview",
        ]
        assert sorted(file["devices/wheel"]) == [
            "distance",
            "distance_flags",
            "raw_count",
            "raw_edge_tick",
            "raw_flags",
            "raw_pps_count",
            "raw_pps_tick",
            "raw_sequence",
            "speed",
            "speed_flags",
            "tick",
            "time_s",
        ]


def test_a_newer_layout_is_refused_in_words(copied: Path) -> None:
    with h5py.File(copied, "r+") as file:
        file.attrs["layout_version"] = 7
    with pytest.raises(RunFileError, match=r"layout version 7; this program reads 1 to 1"):
        open_run(copied)


def test_an_expired_certificate_is_in_the_flags(tmp_path: Path) -> None:
    from calibration.certificates.certificate import dump_certificate
    from recorder.keeping.seal import seal
    from tests.recorder.made_runs import WHEEL, header

    made = made_run(1.0)
    certificates = {
        "certs/cell.json": dump_certificate(
            type(CELL).from_coefficients(
                [0.0, 1e-4],
                capacity_kN=500.0,
                issued=date(2020, 1, 1),
                expires=date(2021, 1, 1),
            )
        ),
        "wheel": dump_certificate(WHEEL),
    }
    made.header = header(certificates=certificates)
    run = tmp_path / "run.h5"
    seal(made.filed(run), run)
    with open_run(run) as opened:
        assert opened.extremes("pull")[2] == ["certificate expired"]


def test_gaps_of_unknown_devices_and_places_are_kept(tmp_path: Path) -> None:
    from recorder.keeping.seal import seal

    made = made_run(1.0)
    odd = [
        Gap(
            device="nobody", t_start_s=0.0, t_end_s=1.0, cause=Cause.LINK_LOST, before_record=5
        ),
        Gap(
            device="cell",
            t_start_s=1.0,
            t_end_s=9.0,
            cause=Cause.LINK_LOST,
            before_record=10**9,
        ),
    ]
    made.events = [*made.events, *odd]
    run = tmp_path / "run.h5"
    seal(made.filed(run), run)
    with open_run(run) as opened:
        assert all(gap in opened.gaps() for gap in odd)
