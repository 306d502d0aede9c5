"""What is stated of the pump's drive: which turns and which tones are not that pump's?

A pulley is measured at its rim and the belt runs above it, so a stated ratio is off by a per cent or so; and
what is stated may be wrong. So it weighs, and blinds nobody: what beats or sounds elsewhere counts less.
"""

from __future__ import annotations

import numpy as np

from audiodiag.orders.drive_prior import MULTIPLES, STATED_SD, VANES
from audiodiag.records import FloatArray
from audiodiag.vehicle import Vehicle

__all__ = ["off_stated_tones", "off_stated_turns"]


def off_stated_turns(ratios: FloatArray, vehicle: Vehicle) -> FloatArray:
    """How far turns per crank turn are not those of the stated pump, 0 to 1; 0 where nothing is stated.

    >>> off_stated_turns(np.array([1.2, 1.21, 1.3]), Vehicle(pump_ratio=1.2)).round(2).tolist()
    [0.0, 0.21, 1.0]
    """
    if vehicle.pump_ratio is None:
        return np.zeros(len(ratios))
    return _off(ratios, np.array([vehicle.pump_ratio]))


def off_stated_tones(orders: FloatArray, vehicle: Vehicle) -> FloatArray:
    """How far the first tone at each order is not that of the stated pump, 0 to 1.

    With the turns alone stated, a tone may be that of any usual number of vanes.

    >>> off_stated_tones(np.array([12.0, 12.9, 24.0]), Vehicle(pump_ratio=1.2, vanes=10)).round(2).tolist()
    [0.0, 1.0, 0.0]
    """
    if vehicle.pump_ratio is None:
        return np.zeros(len(orders))
    vanes = tuple(VANES) if vehicle.vanes is None else (vehicle.vanes,)
    return _off(orders, vehicle.pump_ratio * np.array([z * k for z in vanes for k in MULTIPLES[z % 2]]))


def _off(values: FloatArray, stated: FloatArray) -> FloatArray:
    away = np.abs(np.log(values[:, None] / stated[None, :])).min(axis=1)
    return np.asarray(1.0 - np.exp(-0.5 * np.square(away / STATED_SD)))
