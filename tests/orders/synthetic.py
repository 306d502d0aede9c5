"""Engine bays of plain cosines, built here with known orders: the truth is what was put in."""

from __future__ import annotations

import numpy as np

from audiodiag.orders.angle import AngleSignal
from audiodiag.records import FloatArray

PER_REV = 128
REV_PER_S = 12.5


def engine_and_pump(
    ratio: float,
    vanes: int,
    *,
    revolutions: float = 220.0,
    tone: float = 0.3,
    depth: float = 0.25,
    slip: FloatArray | None = None,
    noise: float = 0.3,
    leak: float = 0.0,
    load: FloatArray | None = None,
    seed: int = 1,
) -> AngleSignal:
    """A four-cylinder comb of half orders, and a balanced pump's ripple with its shaft's sidebands.

    slip: share of the pump's turns lost, load: gain of the pump; both shape (n,) or None.
    """
    turns = np.arange(int(revolutions * PER_REV)) / PER_REV
    lost = np.zeros(len(turns)) if slip is None else slip
    shaft = np.cumsum((1.0 - lost) * ratio) / PER_REV
    first = vanes * (1 if vanes % 2 == 0 else 2)
    pump = sum(np.cos(2 * np.pi * first * k * shaft + k) / k for k in (1, 2))
    if vanes % 2:
        pump = pump + leak * np.cos(2 * np.pi * vanes * shaft)
    pump = pump * (1.0 + depth * np.cos(2 * np.pi * shaft + 0.4)) * (1.0 if load is None else load)
    engine = sum(
        (1.0 if (2 * o) % 4 == 0 else 0.3) / o * np.cos(2 * np.pi * o * turns + o)
        for o in np.arange(0.5, 20.1, 0.5)
    )
    hiss = noise * np.random.default_rng(seed).standard_normal(len(turns))
    values = (engine + tone * pump + hiss).astype(np.float32)
    return AngleSignal(values, PER_REV, 0.0, turns / REV_PER_S, 56.0)
