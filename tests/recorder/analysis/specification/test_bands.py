"""What tells stretches apart in a speed band, and what all of them share."""

from __future__ import annotations

import pytest

from recorder.analysis.specification.bands import speed_bands
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured


def result(start_s: float, pull_kN: float, own_kN: float, certificate: str) -> StretchResult:
    stretch = Stretch(start=0, stop=30, t_start_s=start_s, t_end_s=start_s + 30.0)
    extent = Extent("evening", stretch.name)
    parts = {
        UncertaintyCause(CauseKind.RANDOM, extent=extent): own_kN,
        UncertaintyCause(CauseKind.CERTIFICATE, certificate): 5.0,
    }
    pull = Measured(pull_kN, "kN", parts)
    speed = Measured(12.0, "m/s")
    return StretchResult(
        extent=extent,
        stretch=stretch,
        speed=speed,
        pull=pull,
        power=pull.times(speed, "kW"),
        margin=pull.minus(Measured(90.0, "kN")),
    )


@pytest.mark.parametrize(
    "certificate", ["C-7", "0.0-30.0 s", "evening 0.0-30.0 s", "C-7 evening 0.0-30.0 s"]
)
def test_a_certificate_that_ends_like_a_stretch_weighs_as_any_other(certificate: str) -> None:
    # Weights 1/u² by what is the stretch's own (weighted mean, from memory): 1 and 1/4.
    (band,) = speed_bands(
        [result(0.0, 100.0, 1.0, certificate), result(60.0, 102.0, 2.0, certificate)], 5.0
    )
    assert band.pull.value == pytest.approx((100.0 + 102.0 / 4.0) / 1.25, rel=1e-9)
