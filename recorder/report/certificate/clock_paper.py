"""The certificate of a device's clock as the paper that a laboratory signs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.tick_rate import PIECES, U_PULSE_S
from calibration.quantities.written import MINUS
from calibration.readings.bench_settings import BenchSettings
from recorder.report.certificate.paper import Paper, Part, Picture, Section, Table, Words
from recorder.report.certificate.stated_parts import plain_paper, span_words
from recorder.report.pages.chart_style import INK, dress, figure_of, styled, svg_of

if TYPE_CHECKING:
    from calibration.certificates.clock import ClockCertificate

__all__ = ["clock_paper"]

CAUTIONS: Final = (
    "The rate is that of the one run named above, at its temperatures. It changes no time of any"
    " run: those come from each run's own ticks and receipt times.",
)


def clock_paper(certificate: ClockCertificate) -> Paper:
    """Lay a clock certificate out."""
    c = certificate
    s = BenchSettings.from_document(c.stated)
    return plain_paper(
        c, s,
        subtitle="Clock of a recording device",
        item=f"clock of {c.device}",
        serial=c.serial,
        temperature=span_words(c.temperature_C, "°C"),
        result=[("Run", c.run), ("Digest of the run", c.run_digest), ("Began, UTC", c.began_utc)],
        results=_results(c),
        must_know="The seconds are those of the receiver's pulse, which follows UTC as its"
        " satellites broadcast it; whether it had its position is not shown here.",
        cautions=CAUTIONS,
    )  # fmt: skip


def _results(c: ClockCertificate) -> list[Part]:
    U = c.coverage_factor * c.u_rate_ppm
    places = 4 if U <= 0.0 else min(6, max(0, 1 - math.floor(math.log10(U))))

    def ppm(value: float) -> str:
        return f"{round(value, places) + 0.0:+.{places}f}".replace("-", MINUS)

    rows = [
        ("mean rate, + runs fast", ppm(c.rate_ppm), f"{U:.{places}f}", "ppm"),
        ("slowest piece of the run", ppm(c.low_ppm), "", "ppm"),
        ("fastest piece of the run", ppm(c.high_ppm), "", "ppm"),
        ("scatter of single pulses", f"{c.scatter_us:.3g}", "", "µs"),
        ("span", f"{c.span_s:.0f}", "", "s"),
        ("pulses kept", f"{len(c.seconds)}", "", ""),
        ("nominal rate of the ticks", f"{c.tick_hz:.10g}", "", "1/s"),
    ]
    return [
        Section("Results"),
        Words(f"Rate of the clock against the receiver's pulse: {ppm(c.rate_ppm)} ppm,"
              f" U = {U:.{places}f} ppm, over {c.span_s:.0f} s.", "statement"),
        Table(("quantity", "value", "U", "unit"), rows),
        Words(f"U is stated for a probability of 95 % (k = {c.coverage_factor:.2f}): the scatter"
              f" of the rates of {PIECES} even pieces of the run, as of their mean, and"
              f" {1e6 * U_PULSE_S:g} µs (standard uncertainty, from experience) of the"
              " receiver's pulse at either end."),
        Picture("ahead", _ahead_chart(c),
                "How far the device's clock was from a clock of the mean rate."),
    ]  # fmt: skip


def _ahead_chart(c: ClockCertificate) -> bytes:
    seconds = np.array(c.seconds, np.float64)
    ahead_us = 1e6 * (np.array(c.ticks) - seconds * c.tick_hz) / c.tick_hz
    left_us = ahead_us - c.rate_ppm * seconds
    with styled():
        figure, (axes,) = figure_of(2.4)
        axes.plot(seconds, left_us - left_us.mean(), "o", color=INK, markersize=1.4)
        dress(axes, "seconds of the receiver's pulse", "ahead of the mean, µs")
        return svg_of(figure)
