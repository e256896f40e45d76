"""What the signature of a run proves, and what it does not, in words for a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.bounded_text import bounded_toml
from recorder.run_file.seal.signature import Standing

if TYPE_CHECKING:
    from pathlib import Path

    from calibration.certificates.signature import LaboratoryKey
    from recorder.run.parts.header import RunHeader
    from recorder.run_file.seal.signature import Signed

__all__ = ["demanded", "proves", "signature_words"]

DIGEST_PROVES: Final = (
    "proved by the digest: every byte is as it was sealed, so no damage is in it; not proved: who"
    " sealed it and when, for anybody can change a run and make a new digest"
)
SIGNATURE_PROVES: Final = (
    "proved by the signature: whoever held that key signed these very bytes; not proved: that the"
    " counts are what the cell gave, nor, but by a time stamp of somebody outside, when"
)
UNCHECKED: Final = (
    "anybody can make a key: whether this is the car's is told by --key CAR.pub, or by comparing"
    " the fingerprint"
)
STRIPPED: Final = (
    "NOT SIGNED, though its own car sheet names a signing key: either the key could not be read"
    " at the stop, or the run was made anew; ask for it with --key CAR.pub"
)


def names_key(header: RunHeader) -> bool:
    """Whether the car sheet in a run says that its runs are signed."""
    try:
        recording = bounded_toml(header.car_sheet).get("recording", {})
    except ValueError:
        return False
    return isinstance(recording, dict) and bool(recording.get("signing_key"))


def demanded(signed: Signed, key: LaboratoryKey, source: Path) -> str:
    """Why a run is not signed as it must be; empty where it is."""
    if signed.standing is Standing.NONE:
        return f"not signed; it should be by {source}, key {key.fingerprint}"
    if signed.standing is Standing.FALSE:
        return signed.in_words()
    if signed.fingerprint != key.fingerprint:
        return (
            f"signed by another key: by {signed.fingerprint}, it should be by {source}, key"
            f" {key.fingerprint}"
        )
    return ""


def signature_words(signed: Signed, header: RunHeader) -> list[str]:
    """How a sound run is signed, a line each."""
    if signed.standing is Standing.NONE and names_key(header):
        return [STRIPPED]
    return [signed.in_words()]


def proves(signed: Signed, key: LaboratoryKey | None) -> list[str]:
    """What is proved and what is not, a line each."""
    if signed.standing is not Standing.HOLDS:
        return [DIGEST_PROVES]
    return [SIGNATURE_PROVES, *([UNCHECKED] if key is None else [])]
