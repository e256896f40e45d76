"""Bands of speed are round in the units they are read in."""

from __future__ import annotations

import argparse

import pytest

from calibration.quantities.editions import Edition
from recorder.command_line.support.answer_options import add_band_options, band_m_s
from recorder.command_line.support.errors import UsageError


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_band_options(parser)
    return parser.parse_args(words)


@pytest.mark.parametrize(
    ("words", "edition", "m_s"),
    [
        ((), Edition.METRIC, 10.0 / 3.6),
        ((), Edition.CUSTOMARY, 5.0 * 1609.344 / 3600.0),
        (("--band-mph", "10"), Edition.METRIC, 10.0 * 1609.344 / 3600.0),
        (("--band-km-h", "20"), Edition.CUSTOMARY, 20.0 / 3.6),
    ],
)
def test_the_width_asked_for_or_a_round_one(
    words: tuple[str, ...], edition: Edition, m_s: float
) -> None:
    """The mile of 1609.344 m is that of the International Yard and Pound agreement, 1959."""
    assert band_m_s(parsed(*words), edition) == pytest.approx(m_s, rel=1e-12)


@pytest.mark.parametrize("width", ["0", "-5", "nan"])
@pytest.mark.parametrize("option", ["--band-km-h", "--band-mph"])
def test_a_width_that_is_none_is_refused(option: str, width: str) -> None:
    with pytest.raises(UsageError, match=f"{option} must be above zero"):
        band_m_s(parsed(option, width), Edition.METRIC)
