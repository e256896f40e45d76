"""Pulse records of wheels of our own making."""

from datetime import date

import numpy as np

from calibration.certificates.wheel import WheelCertificate

__all__ = ["KM_H", "RECORD", "WHEEL", "disc", "ride"]

RECORD = np.dtype([("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8")])
KM_H = 1 / 3.6
WHEEL = WheelCertificate(
    certificate_id="w",
    issued=date(2026, 1, 1),
    expires=None,
    wheel="test",
    circumference_m=2.872672,
    u_circumference_m=0.0005,
    pulses_per_revolution=200,
)


def disc(ppr: int, *, spacing: float, eccentric: float, seed: int) -> np.ndarray:
    """Place of each line less its even place, in pulses: white, and once a turn."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * np.arange(ppr) / ppr
    uneven = rng.normal(0, spacing, ppr) + eccentric * np.sin(turn + rng.uniform(0, 6))
    return np.asarray(uneven - uneven.mean())


def ride(
    speed_m_s: np.ndarray,
    *,
    wheel: WheelCertificate = WHEEL,
    spacing: float = 0.03,
    eccentric: float = 0.0,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """Records at 100 a second of a wheel with an uneven encoder; one way only."""
    rng = np.random.default_rng(seed + 1)
    n, ppr = len(speed_m_s), wheel.pulses_per_revolution
    t = np.arange(n) / 100.0
    fine_t = np.arange(n * 50) / 5000.0
    way = np.abs(np.cumsum(np.interp(fine_t, t, speed_m_s))) / 5000.0 / wheel.m_per_pulse
    pulse = np.arange(1, int(way.max()))
    uneven = disc(ppr, spacing=spacing, eccentric=eccentric, seed=seed)
    reach = way + np.arange(len(way)) * 1e-12
    edges = np.interp(pulse + uneven[pulse % ppr], reach, fine_t)
    edges += rng.normal(0, 2e-6, len(pulse))
    count = np.searchsorted(edges, t, side="right")
    last = np.where(count > 0, edges[np.maximum(count - 1, 0)], 0.0)
    records = np.zeros(n, RECORD)
    records["tick"] = np.round(t * 1e6) + 5_000_000
    records["edge_tick"] = np.round(last * 1e6) + 5_000_000
    records["count"] = count * (-1 if speed_m_s.sum() < 0 else 1) + 1000
    return t, records
