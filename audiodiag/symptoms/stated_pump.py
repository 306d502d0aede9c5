"""What is stated of the pump's drive: which turns and which tones are not that pump's?

A pulley is measured at its rim and the belt runs above it, so a stated ratio is off by a per cent or so; and
what is stated may be wrong. So it weighs, and blinds nobody: what beats or sounds elsewhere counts less,
where anything that is searched could be the stated pump's at all.
"""

from __future__ import annotations

import numpy as np

from audiodiag.orders.drive_prior import MULTIPLES, STATED_SD, VANES
from audiodiag.records import FloatArray
from audiodiag.vehicle import Vehicle

__all__ = ["OFF_STATED_DB", "SEARCHED_ORDERS", "is_off_stated", "off_stated_tones", "off_stated_turns"]

SEARCHED_ORDERS = (6.5, 27.5)
"""Between these a pump's first tone is sought."""

OFF_STATED_DB = 6.0
"""So much less counts what cannot be the stated pump's (chosen on simulated clips)."""
ALIKE = 0.01
"""By such a share a stated ratio may be off at no cost."""


def off_stated_turns(ratios: FloatArray, vehicle: Vehicle) -> FloatArray:
    """How far turns per crank turn are not those of the stated pump, 0 to 1; 0 where none of them is.

    >>> off_stated_turns(np.array([1.2, 1.21, 1.23, 1.3]), Vehicle(pump_ratio=1.2)).round(2).tolist()
    [0.0, 0.0, 0.53, 1.0]
    """
    if vehicle.pump_ratio is None:
        return np.zeros(len(ratios))
    return _off(ratios, np.array([vehicle.pump_ratio]))


def off_stated_tones(orders: FloatArray, vehicle: Vehicle) -> FloatArray:
    """How far the first tone at each order is not that of the stated pump, 0 to 1; 0 where none of them is.

    With the turns alone stated, a tone may be that of any usual number of vanes, 7 to 12.

    >>> off_stated_tones(np.array([12.0, 12.9, 24.0]), Vehicle(pump_ratio=1.2, vanes=10)).round(2).tolist()
    [0.0, 1.0, 0.0]
    """
    return np.zeros(len(orders)) if vehicle.pump_ratio is None else _off(orders, _stated_tones(vehicle))


def is_off_stated(order: float, vehicle: Vehicle) -> bool:
    """Whether a first tone at this order counts less, being rather not the stated pump's.

    False where no ratio is stated, or one whose tones are not sought at all.

    >>> stated = Vehicle(pump_ratio=1.2, vanes=10)
    >>> is_off_stated(12.05, stated), is_off_stated(12.9, stated), is_off_stated(12.9, Vehicle(vanes=10))
    (False, True, False)
    >>> is_off_stated(12.9, Vehicle(pump_ratio=4.0, vanes=20))
    False
    """
    if vehicle.pump_ratio is None:
        return False
    stated = _stated_tones(vehicle)
    sought = (stated > SEARCHED_ORDERS[0]) & (stated < SEARCHED_ORDERS[1])
    return bool(sought.any() and _off(np.append(stated, order), stated)[-1] > 0.5)


def _stated_tones(vehicle: Vehicle) -> FloatArray:
    """Give the orders at which the stated pump's loudest tone may lie."""
    vanes = tuple(VANES) if vehicle.vanes is None else (vehicle.vanes,)
    return np.asarray(
        (vehicle.pump_ratio or 0.0) * np.array([z * k for z in vanes for k in MULTIPLES[z % 2]])
    )


def _off(values: FloatArray, stated: FloatArray) -> FloatArray:
    away = np.maximum(np.abs(np.log(values[:, None] / stated[None, :])).min(axis=1) - ALIKE, 0.0)
    off = 1.0 - np.exp(-0.5 * np.square(away / STATED_SD))
    return np.asarray(off if off.min() < 0.5 else np.zeros(len(off)))
