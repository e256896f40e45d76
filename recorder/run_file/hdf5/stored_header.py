"""The run's header as the file holds it, sheets and certificates put back in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calibration.quantities.bounded_text import bounded_json
from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run.parts.header import RunHeader
from recorder.run_file.hdf5.layout import FORMAT, LAYOUT_VERSION
from recorder.run_file.hdf5.naming import certificate_name, check_names
from recorder.run_file.hdf5.store import parsed

if TYPE_CHECKING:
    from recorder.run_file.hdf5.store import Store

__all__ = ["check_kind", "read_header", "sealed_digest"]


def check_kind(store: Store) -> None:
    """See that the file is a run file, of a layout this program reads.

    Raises
    ------
    RunFileError
        It is not.
    UnreadableError
        It cannot be told: damaged.
    """
    if store.word("format") != FORMAT:
        msg = f"{store.path}: not a run file (an HDF5 file of another kind)"
        raise RunFileError(msg)
    version = store.number("layout_version")
    if not 1 <= version <= LAYOUT_VERSION:
        msg = (
            f"{store.path}: layout version {version:g}; this program reads 1 to"
            f" {LAYOUT_VERSION}: use a newer one"
        )
        raise RunFileError(msg)


def read_header(store: Store) -> RunHeader:
    """The header.

    Raises
    ------
    RunFileError
        Not a run file, of a newer layout, or damaged.
    """
    check_kind(store)
    texts: dict[str, Any] = {
        "car_sheet": store.text("header/car_sheet"),
        "trip_sheet": store.text("header/trip_sheet"),
        "certificates": {
            certificate_name(name): store.text(f"certificates/{name}")
            for name in store.names("certificates")
        },
    }
    # Files made before trips had routes have none.
    if store.has("header/route"):
        texts["route"] = store.text("header/route")
    bare = parsed(store.path, "header/run", _json_object, store.text("header/run"))
    header = parsed(store.path, "header/run", RunHeader.from_dict, {**bare, **texts})
    try:
        check_names(header)
    except RunFileError as error:
        msg = f"{store.path}: {error}"
        raise RunFileError(msg) from error
    _check_devices(store, header)
    return header


def _check_devices(store: Store, header: RunHeader) -> None:
    """The devices that are laid out are those of the header, which is what all go by."""
    stated = {device.name for device in header.devices}
    laid_out = set(store.names("devices"))
    for held, by, lacks in (
        (laid_out - stated, "the file", "header/run"),
        (stated - laid_out, "header/run", "the file"),
    ):
        if held:
            words = f"{by} holds {', '.join(sorted(held))}, of which {lacks} does not tell"
            raise UnreadableError(store.path, words)


def _json_object(text: str) -> dict[str, Any]:
    held = bounded_json(text)
    if not isinstance(held, dict):
        msg = "not a JSON object"
        raise TypeError(msg)
    return held


def sealed_digest(store: Store) -> str | None:
    """``sha256:…`` over the digests of all datasets; None before the seal."""
    held = store.word("digests_sha256")
    return None if held is None else f"sha256:{held}"
