"""What is known of a pump's drive before listening: turns per crank turn, vanes, and which multiple is loud.

Balanced pumps with an even number of vanes sound at ``z`` events a turn and multiples, with an odd number
first at ``2 z``, and weakly at ``z`` where the ports are unequal (plain geometry). Pulley ratios of 0.9 to
1.6 and 10 vanes being the usual number are common practice, no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.vehicle import Vehicle

__all__ = ["Hypothesis", "hypotheses_of", "log_density"]

VANES = {7: 0.03, 8: 0.13, 9: 0.14, 10: 0.46, 11: 0.11, 12: 0.13}
LOW_RATIO, HIGH_RATIO, SOFT = 0.85, 1.65, 0.05
MULTIPLES = {0: {1: 0.88, 2: 0.12}, 1: {1: 0.22, 2: 0.70, 4: 0.08}}
"""How often the n-fold of the vane order is the tone that stands out, for even and odd numbers of vanes."""
STATED_SD = 0.012
STATED_TRUST = 0.97


@dataclass(frozen=True)
class Hypothesis:
    """One reading of a tone: ``ratio`` pump turns per crank turn, ``vanes``, and the tone as the
    ``multiple`` of the vane order. ``log_prior``: log of its density over the logarithm of the ratio."""

    ratio: float
    vanes: int
    multiple: int
    log_prior: float

    @property
    def tone_events(self) -> int:
        """Cycles of the tone in one turn of the pump."""
        return self.vanes * self.multiple

    @property
    def first_order(self) -> float:
        """Order of the first ripple: ``R z``, for odd z ``2 R z``."""
        return self.ratio * self.vanes * (1 if self.vanes % 2 == 0 else 2)


def _log_ratio_density(ratio: float, vehicle: Vehicle) -> float:
    """Log density over log ratio: even from 0.85 to 1.65 with soft edges, or around what is stated."""
    away = max(math.log(LOW_RATIO / ratio), math.log(ratio / HIGH_RATIO), 0.0) / SOFT
    broad = math.exp(-0.5 * away**2) / math.log(HIGH_RATIO / LOW_RATIO)
    if vehicle.pump_ratio is None:
        return math.log(max(broad, 1e-12))
    z = math.log(ratio / vehicle.pump_ratio) / STATED_SD
    near = math.exp(-0.5 * z * z) / (STATED_SD * math.sqrt(2.0 * math.pi))
    return math.log(max(STATED_TRUST * near + (1.0 - STATED_TRUST) * broad, 1e-12))


def hypotheses_of(order: float, vehicle: Vehicle | None = None) -> tuple[Hypothesis, ...]:
    """Give all readings of a tone at ``order`` that can be, the likeliest before listening first.

    >>> [(round(h.ratio, 2), h.vanes, h.multiple) for h in hypotheses_of(12.0)][:3]
    [(1.2, 10, 1), (1.5, 8, 1), (1.0, 12, 1)]
    """
    car = vehicle or Vehicle()
    vanes = VANES if car.vanes is None else {car.vanes: 1.0}
    found = []
    for z, share in vanes.items():
        for multiple, often in MULTIPLES[z % 2].items():
            ratio = order / (z * multiple)
            density = _log_ratio_density(ratio, car)
            if density > -6.0:
                found.append(Hypothesis(ratio, z, multiple, density + math.log(share * often)))
    return tuple(sorted(found, key=lambda h: -h.log_prior))


def log_density(orders: FloatArray, vehicle: Vehicle | None = None) -> FloatArray:
    """Log density of the loudest tone's order over its logarithm, shape as ``orders``; at least -9.

    >>> near, far = log_density(np.array([12.0, 30.0]))
    >>> bool(near > far)
    True
    """
    found = [
        np.logaddexp.reduce([h.log_prior for h in hypotheses_of(float(order), vehicle)] or [-9.0])
        for order in np.atleast_1d(orders)
    ]
    return np.maximum(np.array(found), -9.0)
