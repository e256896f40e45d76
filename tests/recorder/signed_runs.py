"""Headers and sealed runs whose certificate has readings, a serial number and a signature."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    parse_document,
)
from calibration.certificates.signature import key_of, public_text, sign_document
from recorder.run.parts.header import RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.calibration.made_certificates import made
from tests.recorder.made_runs import header, load_cell

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
LAB = "Works laboratory"
NAME = "F-1"
"""The certificate's name in the run."""
Change = Callable[[dict[str, Any]], None]


@cache
def _text(serial: str) -> str:
    laboratory = {"cell_serial": serial} if serial else {}
    return dump_certificate(
        made(
            reference_U_pct=0.02,
            certificate_id=NAME,
            laboratory=laboratory,
            issued="2026-01-05",
        )
    )


def fresh(document: dict[str, Any]) -> dict[str, Any]:
    """The same with the digest that it has now."""
    return {**document, "digest": document_digest(document)}


def raised(document: dict[str, Any]) -> None:
    """A coefficient raised by a twentieth."""
    document["curve"]["tension"][1] *= 1.05


def signed_header(
    *,
    serial: str = "4711",
    named: str = "4711",
    before: Change | None = None,
    after: Change | None = None,
    signed_by: Ed25519PrivateKey | None = KEY,
    trusted: bool = True,
) -> RunHeader:
    """``before`` changes the certificate before it is signed, ``after`` afterwards."""
    document = parse_document(_text(serial))
    if before is not None:
        before(document)
    document = fresh(document)
    signature = "" if signed_by is None else sign_document(document, signed_by)
    if after is not None:
        after(document)
        document = fresh(document)
    cell = load_cell()
    cell = replace(
        cell,
        channels=tuple(replace(c, certificate=NAME, serial=named) for c in cell.channels),
    )
    return replace(
        header(cell),
        certificates={NAME: json.dumps(document)},
        signatures={NAME: signature} if signature and trusted else {},
        laboratory_keys={LAB: public_text(key_of(KEY.public_key()))} if trusted else {},
    )


def signed_run(path: Path, of: RunHeader) -> Path:
    """A sealed run of ten minutes at rest by the header."""
    (device,) = of.devices
    t_s = np.arange(6000) / 10.0
    records = np.zeros(len(t_s), device.record_dtype)
    records["tick"] = np.rint(t_s * device.tick_hz)
    records["ch0"] = 1000 + np.rint(np.random.default_rng(1).normal(0.0, 30.0, len(t_s)))
    write_run(path, of, {device.name: DeviceData(time_s=t_s, records=records)})
    return path
