"""Time of fit and all figures of 1,000 readings, against the bare least-squares solution.

Run as a script: ``python tests/benchmarks/bench_fit.py``. Prints milliseconds and the ratio to
one ``numpy.linalg.lstsq`` of the same size in the same run.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.results_document import results_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings
from calibration.readings.readings_csv import parse_readings


def make_csv(series: int = 50, steps: int = 19) -> str:
    """A table of ``series * (steps + 1)`` readings in three positions, with zeros."""
    rng = np.random.default_rng(7)
    lines = ["series,position_deg,direction,applied_kN,reading,temperature_C,time_s"]
    for s in range(series):
        falling = s % 3 == 2
        forces = np.linspace(0.0, 500.0, steps + 1)
        for i, force in enumerate(forces[::-1] if falling else forces):
            counts = 1200 + 8000 * force + 0.05 * force**2 + rng.normal(0.0, 20.0)
            word = "down" if falling else "up"
            time_s = s * 1000 + i * 30
            lines.append(f"{s},{120 * (s % 3)},{word},{force},{counts:.0f},21.0,{time_s}")
    return "\n".join(lines) + "\n"


def median_ms(work: Callable[[], object], repeats: int = 21) -> float:
    """Median wall time of one call in milliseconds, after one call to warm up."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000.0 * statistics.median(times)


def main() -> None:
    """Print the figures."""
    text = make_csv()
    readings: Readings = parse_readings(text)
    settings = BenchSettings(reference_U_pct=0.02)
    x = readings.applied / 512.0
    design = np.vander(x, 3, increasing=True)
    figures = median_ms(lambda: evaluate(readings, settings))
    bare = median_ms(lambda: np.linalg.lstsq(design, readings.reading, rcond=None))
    print(f"readings {len(readings)}")
    print(f"fit and all figures {figures:.1f} ms (limit 50 ms)")
    as_json = median_ms(lambda: results_document(evaluate(readings, settings)))
    print(f"with results as JSON {as_json:.1f} ms")
    print(f"reading and checking the table {median_ms(lambda: parse_readings(text)):.1f} ms")
    print(f"ratio of fit and all figures to one bare least squares {figures / bare:.0f}")


if __name__ == "__main__":
    main()
