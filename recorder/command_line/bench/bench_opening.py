"""A bench session begun, or gone on with as it was begun: changed options are refused by name."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_file import never_begun
from calibration.bench.stability import StabilityLimits
from calibration.certificates.certificate import full_document, load_certificate
from calibration.certificates.force import ForceCertificate
from calibration.quantities.units import UnitError, find_unit
from calibration.readings.bench_settings import BenchSettings
from recorder.command_line.support.errors import UsageError

if TYPE_CHECKING:
    from calibration.bench.session_facts import SessionFacts
    from calibration.readings.reference_standard import ReferenceStandard

__all__ = ["DEFAULTS", "open_session"]

DEFAULTS: Final[Mapping[str, Any]] = MappingProxyType(
    {
        "channel": "ch0",
        "seconds": 10.0,
        "window_s": 5.0,
        "drift_counts": 200.0,
        "noise_counts": 500.0,
        "steps": 10,
        "positions": (0.0, 120.0, 240.0),
        "senses": ("tension",),
        "preloads": 3,
        "rising_only": False,
        "creep": False,
        "force_unit": "kN",
    }
)
"""Options of a new session that were not given."""


def open_session(
    args: argparse.Namespace, settings: BenchSettings, stated: Mapping[str, Any]
) -> BenchSession:
    """Begin the session, or go on with it.

    ``settings`` are the facts for a new one, ``stated`` those of them that were given now.

    Raises
    ------
    UsageError
        Options that a session cannot be begun with, or that differ from those it was begun
        with: the first that differs, by name.
    """
    path = Path(args.session)
    if path.exists() and not never_begun(path):
        session = BenchSession.open(args.session)
        try:
            _same(args, stated, session.facts)
        except UsageError:
            session.close()
            raise
        print(f"{args.session}: going on, {session.done} of {len(session.plan)} steps done")
        return session
    return _begin(args, settings)


# As argparse gives it.
def _given(args: argparse.Namespace, name: str) -> Any:  # noqa: ANN401
    value = getattr(args, name)
    return DEFAULTS[name] if value is None else value


def _begin(args: argparse.Namespace, settings: BenchSettings) -> BenchSession:
    if settings.capacity_kN is None:
        msg = "a new session needs the rated capacity of the cell: give --capacity-kN"
        raise UsageError(msg)
    if (args.reference_cell is None) != (args.reference_channel is None):
        msg = "--reference-cell and --reference-channel belong together: give both, or neither"
        raise UsageError(msg)
    if args.reference_channel == _given(args, "channel"):
        msg = (
            f"--channel and --reference-channel are both {args.reference_channel}; give each cell"
            " the channel it is wired to"
        )
        raise UsageError(msg)
    plan = make_plan(
        capacity_kN=settings.capacity_kN,
        steps=_given(args, "steps"),
        positions_deg=_given(args, "positions"),
        senses=_given(args, "senses"),
        preloads=_given(args, "preloads"),
        falling=not _given(args, "rising_only"),
        creep=_given(args, "creep"),
    )
    reference = None if args.reference_cell is None else _reference_cell(args.reference_cell)
    if reference is not None:
        settings = with_reference(settings, reference, plan)
    return BenchSession.create(
        args.session,
        settings=settings,
        plan=plan,
        limits=StabilityLimits(
            window_s=_given(args, "window_s"),
            drift_counts=_given(args, "drift_counts"),
            noise_counts=_given(args, "noise_counts"),
        ),
        seconds=_given(args, "seconds"),
        reference=reference,
        force_unit=_force_unit(_given(args, "force_unit")),
        channels=(_given(args, "channel"), args.reference_channel or ""),
    )


def _force_unit(name: str) -> str:
    try:
        return find_unit(name, quantity="force").name
    except UnitError as error:
        msg = f"--force-unit: {error}"
        raise UsageError(msg) from error


# ------------------------------------------------------------------ the reference cell


def _reference_cell(path: str) -> ForceCertificate:
    found = load_certificate(path)
    if not isinstance(found, ForceCertificate):
        msg = f"{path}: not a certificate of a force cell"
        raise UsageError(msg)
    if found.indicated_in != "counts":
        msg = (
            f"{path}: made over readings in {found.indicated_in}, and the channels of a port are"
            " counts; allowed: a certificate made over counts, with the front end of this bench"
        )
        raise UsageError(msg)
    return found


def with_reference(
    settings: BenchSettings, reference: ForceCertificate, plan: Sequence[PlanStep]
) -> BenchSettings:
    """What the reference cell's own certificate says, where the person did not.

    Its expanded uncertainty is the largest, relative to the force, at the forces of the plan;
    its certificate goes along in full.

    Raises
    ------
    UsageError
        The plan goes beyond what the certificate covers.
    """
    force = np.unique([step.applied_kN for step in plan if not step.unloaded])
    low, high = reference.range_kN
    outside = force[(force < low) | (force > high)]
    if len(outside):
        msg = (
            f"the reference cell's certificate {reference.certificate_id} covers {low:g} to"
            f" {high:g} kN, the plan asks for {outside[0]:g} kN; take a reference cell"
            " that covers the plan, or give a smaller --capacity-kN"
        )
        raise UsageError(msg)
    relative = reference.expanded_uncertainty_kN(force) / np.abs(force)
    worst = int(np.argmax(relative))
    if settings.reference_U_pct is None and relative[worst] > 0.0:
        settings = replace(
            settings,
            reference_U_pct=100.0 * float(relative[worst]),
            # What the settings take: a curve with little behind it may have a larger factor.
            reference_k=float(
                np.clip(reference.uncertainty.coverage_at(force[worst]), 1.0, 4.0)
            ),
        )
    return replace(
        settings,
        reference=settings.reference or f"reference cell, {reference.certificate_id}",
        standard=_standard(settings.standard, reference),
    )


def _standard(stated: ReferenceStandard, reference: ForceCertificate) -> ReferenceStandard:
    known = reference.details.get("settings")
    own = BenchSettings() if known is None else BenchSettings.from_document(known)
    until = [day for day in (stated.valid_until, reference.expires) if day is not None]
    return replace(
        stated,
        serial=stated.serial or own.laboratory.cell_serial,
        certificate=stated.certificate or reference.certificate_id,
        issued_by=stated.issued_by or own.laboratory.name,
        calibrated=stated.calibrated or reference.issued,
        valid_until=min(until, default=None),
        # A reference named in words is no chain: what its certificate does not state is not known.
        traceability=stated.traceability or own.standard.traceability,
        drift_pct=own.stability_pct if stated.drift_pct is None else stated.drift_pct,
        digest=reference.digest,
        document=full_document(reference),
    )


# ------------------------------------------------------------------ going on


def _same(args: argparse.Namespace, stated: Mapping[str, Any], facts: SessionFacts) -> None:
    """Raise ``UsageError`` for the first option given now that the session was not begun with."""
    for option, given, begun in _pairs(args, stated, facts):
        if given is None or given == begun:
            continue
        msg = (
            f"{args.session}: begun with {option} {_words(begun)}, now {_words(given)} is"
            f" given: leave {option} out to go on as begun, or begin another session; bench fit"
            " works a session's --csv out with other facts"
        )
        raise UsageError(msg)


def _pairs(
    args: argparse.Namespace, stated: Mapping[str, Any], facts: SessionFacts
) -> Iterator[tuple[str, Any, Any]]:
    """(option, given now, begun with); None: not given."""
    begun = {
        **_of_plan(facts.plan),
        "seconds": facts.seconds,
        "window_s": facts.limits.window_s,
        "drift_counts": facts.limits.drift_counts,
        "noise_counts": facts.limits.noise_counts,
        "force_unit": facts.force_unit,
    }
    for name, value in begun.items():
        given = getattr(args, name)
        if name == "force_unit" and given is not None:
            given = _force_unit(given)
        yield _option(name), tuple(given) if isinstance(given, list) else given, value
    # A session of an earlier kind did not keep its channels.
    if facts.channel:
        yield "--channel", args.channel, facts.channel
        yield "--reference-channel", args.reference_channel, facts.reference_channel
    if args.reference_cell is not None:
        digest = None if facts.reference is None else facts.reference.digest
        yield "--reference-cell", _reference_cell(args.reference_cell).digest, digest
    document = facts.settings.to_document()
    for name, given in stated.items():
        if name.startswith("accepted_"):  # of the rows of the end, not of the beginning
            continue
        if isinstance(given, Mapping):
            table = document.get(name, {})
            for key, value in given.items():
                yield f"[{name}] {key}", _plain(value), table.get(key)
        else:
            yield _option(name), _plain(given), document.get(name)


def _of_plan(plan: Sequence[PlanStep]) -> dict[str, Any]:
    """The options that a plan was made by."""
    steps = [step for step in plan if step.kind == "step"]
    first = steps[0] if steps else plan[0]
    rising = [s for s in steps if s.series == first.series and s.direction == "up"]
    signs = dict.fromkeys(step.applied_kN > 0.0 for step in steps)
    preloads = [
        s
        for s in plan
        if s.kind == "preload"
        and s.position_deg == first.position_deg
        and s.applied_kN * first.applied_kN > 0.0
    ]
    return {
        "steps": len(rising),
        "positions": tuple(dict.fromkeys(step.position_deg for step in steps)),
        "senses": tuple("tension" if sign else "compression" for sign in signs),
        "preloads": len(preloads),
        "rising_only": not any(step.direction == "down" for step in steps),
        "creep": any(step.kind == "creep" for step in plan),
    }


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _plain(value: object) -> object:
    """As the settings' document writes it."""
    if isinstance(value, tuple):
        return list(value)
    return value.isoformat() if hasattr(value, "isoformat") else value


def _words(value: object) -> str:
    if isinstance(value, list | tuple):
        return " ".join(f"{v:g}" if isinstance(v, float) else str(v) for v in value)
    return "not stated" if value in (None, "") else str(value)
