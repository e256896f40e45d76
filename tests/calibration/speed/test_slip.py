"""Slip and slide of the measuring wheel against GNSS speed."""

import numpy as np

from calibration.speed.slip import flag_slip


def test_slip_and_slide_against_gnss() -> None:
    wheel = np.array([10.0, 14.0, 4.0, 10.2, 10.0])
    gnss = np.array([10.0, 10.0, 10.0, 10.0, np.nan])
    found = flag_slip(wheel, np.full(5, 0.01), gnss)
    assert found.tolist() == [0, 1, -1, 0, 0]
