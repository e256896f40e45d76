"""What the values of a channel are, whatever a sheet or an earlier file calls them."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.run.parts.header import ChannelHeader, RunHeader
from recorder.run.parts.quantities import RUN_UNITS, made_unit, run_unit
from tests.recorder.made_runs import header, load_cell

QUANTITIES = st.one_of(
    st.sampled_from(sorted(RUN_UNITS)),
    st.sampled_from(["grade", "curvature", "pulses", "force", "wind-vane"]),
)
RAW = st.sampled_from(
    ["ch0", "ch7", "count", "edge_tick", "pps_tick", "pps_count", "flags", "sequence", "valid",
     "hdop", "satellites"]
)  # fmt: skip
"""Fields of the three protocols on the developers' page that are no quantity in a unit."""
UNITS = st.sampled_from(sorted({run_unit(q) for q in RUN_UNITS} | {"counts", "pulses", ""}))


def _channel(quantity: str, unit: str, field: str, certificate: str = "") -> ChannelHeader:
    return ChannelHeader(
        name="c", quantity=quantity, unit=unit, field=field, certificate=certificate
    )


@given(quantity=st.sampled_from(sorted(RUN_UNITS)), unit=UNITS, field=RAW)
def test_raw_counts_measure_nothing_whatever_is_stated(
    quantity: str, unit: str, field: str
) -> None:
    channel = _channel(quantity, unit, field)
    assert channel.true_unit in ("counts", "pulses")
    assert not channel.measures
    assert "can be stated" in channel.unmeasured
    assert channel.unmeasured.startswith(f"c is in {channel.true_unit}")


@given(quantity=QUANTITIES, unit=UNITS, field=RAW)
def test_a_certificate_makes_what_it_is_for_and_nothing_else(
    quantity: str, unit: str, field: str
) -> None:
    channel = _channel(quantity, unit, field, "some certificate")
    if field in ("pps_count",):
        assert channel.true_unit == "counts"
        return
    wheel = field == "count"
    assert channel.true_unit == (("m/s" if quantity == "speed" else "m") if wheel else "kN")
    if quantity in RUN_UNITS:
        assert channel.measures == (channel.true_unit == run_unit(quantity))
        assert bool(channel.unmeasured) != channel.measures


@given(quantity=st.sampled_from(sorted(RUN_UNITS)))
def test_values_that_came_in_a_table_keep_the_unit_stated(quantity: str) -> None:
    channel = _channel(quantity, run_unit(quantity), "")
    assert channel.true_unit == run_unit(quantity)
    assert channel.measures
    assert channel.unmeasured == ""


@pytest.mark.parametrize(
    ("quantity", "field", "unit"),
    [
        ("latitude", "latitude_deg", "deg"),
        ("longitude", "longitude_deg", "deg"),
        ("altitude", "altitude_m", "m"),
        ("elevation", "altitude_m", "m"),
        ("gnss_speed", "speed_m_s", "m/s"),
        ("speed", "speed_m_s", "m/s"),
        ("gnss_course", "course_deg", "deg"),
    ],
)
def test_a_receivers_fields_are_in_the_unit_of_their_name(
    quantity: str, field: str, unit: str
) -> None:
    assert made_unit(quantity, field, certified=False) == unit
    assert _channel(quantity, unit, field).measures


@pytest.mark.parametrize("quantity", ["pull", "temperature", "latitude", "power"])
def test_a_receivers_metres_are_no_other_quantity(quantity: str) -> None:
    channel = _channel(quantity, run_unit(quantity), "altitude_m")
    assert not channel.measures
    assert "is in m, though the file says" in channel.unmeasured


def test_what_is_stated_beyond_the_evidence_is_named() -> None:
    assert _channel("pull", "kN", "ch0").unmeasured == (
        "c is in counts, though the file says kN: no certificate; no force, power or work can be"
        " stated"
    )
    assert _channel("pulses", "pulses", "count").unmeasured == (
        "the wheel gives pulses: no wheel certificate; no distance or speed can be stated from it"
    )


@pytest.mark.parametrize("speed", [None, 0.0, 10.0])
def test_simulated_time_is_carried_and_left_out_where_time_was_real(
    speed: float | None,
) -> None:
    head = header(load_cell(), simulated_speed=speed)
    text = head.to_json()
    assert ("simulated_speed" in json.loads(text)) == (speed is not None)
    assert RunHeader.from_json(text) == head


@pytest.mark.parametrize(
    ("spoil", "error"),
    [
        (lambda d: d.update(simulated_speed=-1.0), ValueError),
        (lambda d: d.update(simulated_speed="fast"), TypeError),
        (lambda d: d["devices"][0].update(name=3), TypeError),
        (lambda d: d["devices"][0]["channels"][0].update(quantity=[1]), TypeError),
    ],
)
def test_a_damaged_header_is_refused(spoil: Any, error: type[Exception]) -> None:
    data = json.loads(header(load_cell()).to_json())
    spoil(data)
    with pytest.raises(error):
        RunHeader.from_dict(data)


def test_serials_signatures_and_keys_are_carried_and_left_out_where_there_are_none() -> None:
    bare = header(load_cell())
    for name in ("serial", "signatures", "laboratory_keys"):
        assert f'"{name}"' not in bare.to_json()
    assert RunHeader.from_json(bare.to_json()) == bare
    cell = load_cell()
    named = replace(cell, channels=tuple(replace(c, serial="4711") for c in cell.channels))
    full = replace(
        header(named), signatures={"certs/cell.json": "{}"}, laboratory_keys={"Lab": "PEM"}
    )
    assert RunHeader.from_json(full.to_json()) == full


@pytest.mark.parametrize("spoil", [[], {"a": 1}, {"a": None}, "text", 3, None])
@pytest.mark.parametrize("name", ["signatures", "laboratory_keys"])
def test_signatures_and_keys_are_texts_by_name(name: str, spoil: object) -> None:
    data = json.loads(header(load_cell()).to_json())
    with pytest.raises(TypeError, match=f"{name} are .*texts by name"):
        RunHeader.from_dict({**data, name: spoil})
