"""What nobody can prove from a run file alone, said of the run at hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from recorder.run.time.utc import UtcBy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["beyond_of"]

ANEW: Final = (
    "that the file and its digests were not made anew together: a digest guards against damage and"
    " careless hands, not against somebody who makes the whole file; keep {digest} apart from it"
)


def beyond_of(run: RunFile | None) -> tuple[str, ...]:
    """One line each; ``run`` is None where the file could not be worked on."""
    if run is None:
        return (ANEW.format(digest="the digest of a sealed run"),)
    return (ANEW.format(digest=run.digest or "its digest"), *_of(run))


def _of(run: RunFile) -> Iterator[str]:
    if run.header.origin == "imported":
        yield "that the table it was made from is what was measured, and is the whole of it"
    if run.header.certificates:
        yield (
            "that the cell and the wheel under the car were those of the certificates, and were"
            " mounted, wired and loaded as at the bench"
        )
        yield (
            "that the readings in the certificates were taken: that figures follow from them, and"
            " that the holder of a key issued them, is all that shows"
        )
    if run.header.laboratory_keys:
        yield (
            "that the keys in the file are those of"
            f" {', '.join(run.header.laboratory_keys)}: compare the fingerprints with ones had from"
            " them in another way"
        )
    if any(
        device.header.tick_hz and not device.header.host_clock
        for device in run.devices.values()
    ):
        yield "that the devices measured what they sent: counts are kept as they came"
    if run.marks():
        yield (
            "that what the crew keyed is true, was keyed at the instant it happened, and by whom"
            " it names"
        )
    if run.header.trip_sheet.strip() or run.header.route.strip():
        yield (
            "that masses, brakes, locomotive and line are as the sheets say, beyond what"
            " plausibility shows"
        )
    yield _clock(run)


def _clock(run: RunFile) -> str:
    if run.utc.judgement is not None and run.utc.known:
        return (
            "that UTC is right: receiver, pulses, computer's clock and sheet were compared, and"
            " those that are wrong alike agree"
        )
    source = run.utc.source
    if source is UtcBy.SENTENCES:
        return (
            "that the receiver's clock told the truth: its sentences are the only witness of UTC"
            " beside the computer's own clock"
        )
    if source is UtcBy.PULSES:
        return (
            "that the receiver's clock told the truth: its sentences and its pulses come from one"
            " receiver"
        )
    return "that the computer's clock told the truth: there is no other witness of UTC"
