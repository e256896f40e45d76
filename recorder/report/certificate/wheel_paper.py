"""The certificate of a measuring wheel as the paper that a laboratory signs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.units import factor
from calibration.readings.bench_settings import BenchSettings
from recorder.report.certificate.paper import Paper, Part, Section, Table, Words
from recorder.report.certificate.stated_parts import plain_paper, span_words

if TYPE_CHECKING:
    from calibration.certificates.wheel import WheelCertificate

__all__ = ["wheel_paper"]

COVERAGE: Final = 2.0
"""Of the expanded uncertainty: about 95 % for the sum of several components (JCGM 100, G.6.6)."""
CAUTIONS: Final = (
    "Measure a wheel only under a car that is secured against moving; stay off the track and"
    " clear of pinch points; local rules come first.",
    "The circumference holds until the wheel is trued or has worn by more than the budget allows.",
)
_METHODS: Final = {
    "tape": "Wheel tape around the tread; the circumference is the mean of the readings.",
    "rolled length": "Length rolled out over whole revolutions; the circumference is the mean"
    " length divided by their number.",
    "measured length": "Pulses counted over a measured length; the circumference is the length"
    " times the pulses of one revolution, divided by the pulses counted.",
    "stated": "The circumference was stated, not measured.",
}


def wheel_paper(certificate: WheelCertificate) -> Paper:
    """Lay a wheel certificate out."""
    c = certificate
    s = BenchSettings.from_document(c.stated)
    room = s.room_temperature_C
    return plain_paper(
        c, s,
        subtitle="Measuring wheel",
        item=c.wheel or "measuring wheel",
        serial=c.serial or s.laboratory.cell_serial,
        temperature=span_words(None if room is None else (room, room), "°C"),
        result=[("Way of measuring", _METHODS.get(c.method, c.method))],
        results=_results(c),
        must_know="The expanded uncertainty is that of distance on the road: it holds the tread's"
        " cone and the wear to be expected, as the budget states them.",
        cautions=CAUTIONS,
    )  # fmt: skip


def _results(c: WheelCertificate) -> list[Part]:
    girth_m, U_m = c.circumference_m, COVERAGE * c.u_circumference_m
    a_mile = factor("mi") / girth_m
    share = U_m / girth_m
    results = [
        ("circumference", *_with(1e3 * girth_m, 1e3 * U_m), "mm"),
        ("diameter", *_with(1e3 * girth_m / math.pi, 1e3 * U_m / math.pi), "mm"),
        ("distance of one pulse", *_with(1e3 * c.m_per_pulse, 1e3 * c.m_per_pulse * share), "mm"),
        ("revolutions in a kilometre", *_with(1e3 / girth_m, 1e3 / girth_m * share), ""),
        ("revolutions in a mile", *_with(a_mile, a_mile * share), ""),
    ]  # fmt: skip
    measured = [(_named(name), f"{value:.10g}") for name, value in c.details.items()]
    budget = [
        (part.cause, f"{1e3 * part.u_m:.3g}", f"{100.0 * part.u_m**2 / c.u_circumference_m**2:.0f}",
         part.note)
        for part in c.parts
    ]  # fmt: skip
    budget.append(("combined", f"{1e3 * c.u_circumference_m:.3g}", "100" if budget else "", ""))
    parts: list[Part] = [
        Section("Results"),
        Words(f"Distance = pulses × {girth_m:.9g} m / {c.pulses_per_revolution}, known to"
              f" ± {100.0 * share:.2g} %.", "statement"),
        Table(("quantity", "value", "U", "unit"), results),
        Words("U is the combined standard uncertainty multiplied by k = 2, for a probability of"
              " about 95 %."),
    ]  # fmt: skip
    if measured:
        parts += [Section("What was measured", 2), Table(("quantity", "value"), measured)]
    heads = ("component", "standard uncertainty, mm", "share of the variance, %", "basis")
    return [
        *parts,
        Section("Uncertainty budget of the circumference", 2),
        Table(heads, budget, wide=frozenset((3,))),
    ]


def _with(value: float, spread: float) -> tuple[str, str]:
    """Value and U to the same place; U to two digits."""
    places = 3 if spread <= 0.0 else min(9, max(0, 1 - math.floor(math.log10(spread))))
    return f"{value:.{places}f}", f"{spread:.{places}f}"


def _named(name: str) -> str:
    """``reading_1_m`` → ``reading 1, m``."""
    words = name.split("_")
    return " ".join(words[:-1]) + ", m" if words[-1] == "m" else " ".join(words)
