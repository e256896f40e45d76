"""Exact numbers against their definitions."""

from scipy import constants

from calibration.quantities.constants import (
    G_M_S2,
    KJ_PER_KWH,
    KM_H_PER_M_S,
    KM_H_PER_MPH,
    N_PER_T_PER_LB_PER_TON,
)


def test_standard_gravity() -> None:
    """3rd CGPM, 1901."""
    assert G_M_S2 == 9.80665 == constants.g


def test_a_kilowatt_hour_is_3600_kilojoules() -> None:
    """1 kW for 3600 s."""
    assert KJ_PER_KWH == 3600.0


def test_speeds() -> None:
    """3600 s in an hour; 5280 ft of 0.3048 m in a mile."""
    assert KM_H_PER_M_S == 3.6
    assert KM_H_PER_MPH == 1.609344


def test_pounds_a_ton() -> None:
    """1 lbf = 0.45359237 · 9.80665 N on 2000 · 0.45359237 kg."""
    assert N_PER_T_PER_LB_PER_TON == 4.903325
