"""Drawn trials whose sheets and instruments tell the truth are not doubted; slips are found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from recorder.analysis.campaign.loading import load_runs
from recorder.analysis.plausibility.doubt import DoubtKind
from recorder.run_file.hdf5.reader import open_run
from tests.campaigns.trial_train.locomotive import Condition
from tests.campaigns.trial_train.run_files import write_run_file
from tests.campaigns.trial_train.trial import MadeRun, make_run

DRAWS = 25
"""Of each kind, in continuous integration; a hundred and more when the room is changed."""
LBF_N, KGF_N, MILE_KM, MPH_M_S = 4.4482216, 9.80665, 1.609344, 0.44704
"""NIST SP 811, appendix B.8."""


@dataclass(frozen=True)
class Slip:
    """What is shown over what is true, and what must be doubted then."""

    doubted: DoubtKind
    columns: dict[str, float] = field(default_factory=dict)
    mass: float = 1.0


SLIPS = {
    "sign": Slip(DoubtKind.PULL_SIGN, {"pull": -1.0}),
    "thousands of lbf for kN": Slip(DoubtKind.PULL_UNIT, {"pull": 1.0 / LBF_N}),
    "tonnes-force for kN": Slip(DoubtKind.PULL_UNIT, {"pull": 1.0 / KGF_N}),
    "kN for tonnes-force": Slip(DoubtKind.PULL_UNIT, {"pull": KGF_N}),
    "mass 15 % too high": Slip(DoubtKind.MASS, mass=1.15),
    "mass 15 % too low": Slip(DoubtKind.MASS, mass=0.85),
    "mph for km/h": Slip(DoubtKind.DISTANCE, {"speed": 1.0 / MILE_KM}),
    "mph for m/s": Slip(DoubtKind.DISTANCE, {"speed": 1.0 / MPH_M_S}),
    "km/h for m/s": Slip(DoubtKind.DISTANCE, {"speed": 3.6}),
}


def fresh(folder: Path, scenario: str) -> Iterator[MadeRun]:
    """The drawn trials of one scenario."""
    for seed in range(DRAWS):
        place = folder / f"{seed}"
        place.mkdir()
        yield make_run(place, scenario, seed, Condition.SPEC)


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> list[MadeRun]:
    """Those that the slips are made of, drawn once."""
    return list(fresh(tmp_path_factory.mktemp("honest"), "honest"))


def doubted(path: Path) -> set[DoubtKind]:
    """What a run file is doubted for."""
    (loaded,) = load_runs([path])
    return {d.kind for d in loaded.doubts}


def slipped(made: MadeRun, slip: Slip) -> Path:
    """The same trial with a slip in a column or in the trailing mass."""
    columns = {
        name: values * slip.columns.get(name, 1.0)
        for name, values in made.readings.columns.items()
    }
    true_t, car_t = made.train.load_t, made.train.car_t
    before, told = (
        f"mass_t = {true_t - car_t:.3f}",
        f"mass_t = {true_t * slip.mass - car_t:.3f}",
    )
    sheet = made.trip.read_text("utf-8")
    assert before in sheet
    path = made.path.with_name("slipped.h5")
    path.unlink(missing_ok=True)
    with open_run(made.path) as run:
        marks = list(run.marks())
    readings = replace(made.readings, columns=columns)
    write_run_file(path, made.scenario, readings, marks, sheet.replace(before, told))
    return path


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario", ["honest", "honest-route", "wander-120-s", "eased-stepwise"]
)
def test_what_is_honest_is_not_doubted(
    tmp_path: Path, honest: list[MadeRun], scenario: str
) -> None:
    trials = honest if scenario == "honest" else fresh(tmp_path, scenario)
    alarms = Counter(k for made in trials for k in doubted(made.path))
    assert alarms.total() <= 1


@pytest.mark.slow
@pytest.mark.parametrize("names", [tuple(SLIPS)[i : i + 3] for i in range(0, len(SLIPS), 3)])
def test_every_slip_is_found(honest: list[MadeRun], names: tuple[str, ...]) -> None:
    found = Counter(
        name
        for made in honest
        for name in names
        if SLIPS[name].doubted in doubted(slipped(made, SLIPS[name]))
    )
    assert {name: found[name] for name in names if found[name] < 0.9 * DRAWS} == {}
