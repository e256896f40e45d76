"""Every field of a certificate changed by itself, its digest made fresh: who finds it.

Working the certificate out again finds it, or the signature does. What only the signature finds
is listed here: facts that somebody stated, and columns of the readings that no figure uses.
"""

from __future__ import annotations

import copy
import json
import pickle
import re
from collections.abc import Iterator
from datetime import date
from typing import Any, Final

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    dump_certificate,
    parse_certificate,
    parse_document,
)
from calibration.certificates.signature import (
    SignatureError,
    check_signature,
    key_of,
    sign_document,
)
from calibration.certificates.wheel import (
    WheelCertificate,
    combined_u_m,
    cone_part,
    from_tape,
)
from calibration.evaluation import verify
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.proof.recomputed import Outcome, recompute
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made

Path = tuple[str | int, ...]
OURS: Final = "testcar 1"
KEY: Final = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
KEYS: Final = {"Lab": key_of(KEY.public_key())}

BY_SIGNATURE_ALONE: Final = re.compile(
    r"software"
    # Told as evaluated by another edition, and held to less.
    r"|details\.evaluation"
    # Stated facts: who, where, by what; no figure follows from most of them.
    r"|details\.settings(\..+)?"
    # Columns that order the readings or stand beside them.
    r"|details\.readings\.(series|series_names|position_deg|direction|temperature_C|time_s|row"
    r"|columns|note|notes|kind|superseded|reasons?)(\..+)?"
)
"""Paths of a force certificate at which a change may pass unless it is signed."""
WHEEL_BY_SIGNATURE_ALONE: Final = re.compile(
    r"software|certificate_id|issued|expires|wheel|serial|pulses_per_revolution|method|stated.*"
    r"|budget(\..+)?|details(\..+)?"
)
"""The same of a wheel's: its budget is stated but for the scatter, and its sum is held to it."""


def force() -> dict[str, Any]:
    text = iso_csv(noise=40.0, loop=2e-4, bend=0.5, zero_shift=30.0)
    stated = {
        "reference_U_pct": 0.02, "capacity_kN": 500.0, "certificate_id": "F-1",
        "cell": "cell 12", "operator": "A. Body", "room_temperature_C": 21.0,
        "shunt_deflection": 1e6, "laboratory": {"cell_serial": "4711", "name": "Works"},
    }  # fmt: skip
    found = parse_document(dump_certificate(made(text, **stated)))
    return fresh({**found, "software": OURS})


def wheel() -> dict[str, Any]:
    readings_m = [2.8701, 2.8704, 2.8702]
    girth_m, parts = from_tape(readings_m, u_tape_m=5e-4)
    parts = (*parts, cone_part(girth_m))
    made_of = WheelCertificate(
        certificate_id="W-1", issued=date(2026, 5, 4), expires=None, wheel="left",
        circumference_m=girth_m, u_circumference_m=combined_u_m(parts),
        pulses_per_revolution=60, method="tape", parts=parts, software=OURS, serial="W7",
        details={f"reading_{i}_m": x for i, x in enumerate(readings_m, 1)},
    )  # fmt: skip
    return parse_document(dump_certificate(made_of))


def fresh(document: dict[str, Any]) -> dict[str, Any]:
    return {**document, "digest": document_digest(document)}


def paths(value: object, at: Path = ()) -> Iterator[Path]:
    """Every value and every table of a document but the digest; of long lists two items."""
    if isinstance(value, dict):
        for key, held in value.items():
            if at or key != "digest":
                yield from paths(held, (*at, key))
    elif isinstance(value, list):
        for i in sorted({0, min(7, len(value) - 1)} if value else ()):
            yield from paths(value[i], (*at, i))
    if at:
        yield at


def changed(value: object) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return 1.05 * value if value else 1.0
    if isinstance(value, str):
        return "2027-01-01" if re.fullmatch(r"\d{4}-\d\d-\d\d", value) else value + "x"
    if isinstance(value, list):
        return value[:-1] if value else [1.0]
    return {**value, "more": 1} if isinstance(value, dict) else 1.0


def changed_at(value: Any, path: Path) -> Any:
    """What no path leads through is shared with the original."""
    if not path:
        return changed(value)
    found = copy.copy(value)
    found[path[0]] = changed_at(value[path[0]], path[1:])
    return found


def tampered(document: dict[str, Any], path: Path) -> dict[str, Any]:
    return fresh(changed_at(document, path))


@pytest.fixture(scope="module", autouse=True)
def _evaluated_once() -> Iterator[None]:
    """Of like readings with like settings one evaluation stands for all: most changes are to
    figures, and touch neither."""
    kept: dict[bytes, Evaluation] = {}

    def once(readings: Readings, settings: BenchSettings) -> Evaluation:
        given = pickle.dumps((readings, settings))
        if given not in kept:
            kept[given] = evaluate(readings, settings)
        return kept[given]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verify, "evaluate", once)
        yield


def passes(document: dict[str, Any]) -> bool:
    """Whether working it out again finds nothing."""
    try:
        parse_certificate(json.dumps(document))
    except CertificateError:
        return False
    return recompute(document, software=OURS).outcome is not Outcome.CONTRADICTED


def hold(original: dict[str, Any], signature: str, path: Path, listed: re.Pattern[str]) -> None:
    document = tampered(original, path)
    with pytest.raises(SignatureError):
        check_signature(document, signature, KEYS)
    name = ".".join(str(key) for key in path)
    assert not passes(document) or listed.fullmatch(name), f"nothing finds {name} changed"


FORCE: Final = force()
WHEEL: Final = wheel()
FORCE_SIGNED: Final = sign_document(FORCE, KEY)
WHEEL_SIGNED: Final = sign_document(WHEEL, KEY)


def test_unchanged_they_pass_and_are_signed() -> None:
    for document, signature in ((FORCE, FORCE_SIGNED), (WHEEL, WHEEL_SIGNED)):
        assert passes(document)
        assert check_signature(document, signature, KEYS) == "Lab"


@given(st.sampled_from([*paths(FORCE)]))
@settings(max_examples=12, deadline=None)
def test_a_field_changed_is_found(path: Path) -> None:
    hold(FORCE, FORCE_SIGNED, path, BY_SIGNATURE_ALONE)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_every_field_changed_is_found(part: int) -> None:
    for path in [*paths(FORCE)][part::8]:
        hold(FORCE, FORCE_SIGNED, path, BY_SIGNATURE_ALONE)


def test_every_field_of_a_wheel_changed_is_found() -> None:
    found = [path for path in paths(WHEEL) if not passes(tampered(WHEEL, path))]
    assert {("circumference_m",), ("u_circumference_m",), ("details", "reading_1_m")} <= {
        *found
    }
    for path in paths(WHEEL):
        hold(WHEEL, WHEEL_SIGNED, path, WHEEL_BY_SIGNATURE_ALONE)


def test_what_a_force_is_made_by_is_never_left_to_the_signature() -> None:
    """Curve, uncertainty, range, rails, zero, dates, serial, shunt and every figure behind."""
    for path in (
        "curve.tension.1", "uncertainty.standard_kN.7", "uncertainty.coverage_factor.0",
        "range_kN.1", "rails.0", "nominal_zero_counts", "expires", "issued", "serial", "cell",
        "capacity_kN", "zero_limit_counts", "shunt.deflection_counts", "certificate_id",
        "details.results.residual_sd", "details.readings.reading.7",
    ):  # fmt: skip
        keys = tuple(int(k) if k.isdigit() else k for k in path.split("."))
        assert not BY_SIGNATURE_ALONE.fullmatch(path)
        assert not passes(tampered(FORCE, keys)), path
