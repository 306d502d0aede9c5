"""Orders of the pressure ripple of a balanced vane pump."""

from __future__ import annotations

import math

from audiodiag.errors import VehicleError

__all__ = ["pump_ripple_orders"]


def pump_ripple_orders(vanes: int, pump_ratio: float, *, count: int = 3) -> tuple[float, ...]:
    """Give the first orders of the ripple, per crank revolution.

    Parameters
    ----------
    vanes:
        Number of vanes z.
    pump_ratio:
        Pump turns per crank turn R.
    count:
        How many orders.

    A balanced pump delivers through two ports half a turn apart. With an even z both act in phase: orders
    z, 2 z, ...; with an odd z they act half a pitch apart, the odd multiples cancel and the first order is
    2 z (a fact of geometry; unequal ports bring a weak z back).

    Raises
    ------
    VehicleError
        If the number of vanes or the ratio cannot be.

    >>> pump_ripple_orders(10, 1.2), pump_ripple_orders(9, 1.0, count=2)
    ((12.0, 24.0, 36.0), (18.0, 36.0))
    """
    if vanes < 2 or not (math.isfinite(pump_ratio) and pump_ratio > 0):
        raise VehicleError(
            "a pump of this kind cannot be",
            got=f"{vanes} vanes, {pump_ratio:g} pump turns per crank turn",
            allowed="at least 2 vanes, a ratio above 0 (commonly 0.9 to 1.6)",
            todo="count the vanes and measure both pulleys, or leave both out",
        )
    first = vanes if vanes % 2 == 0 else 2 * vanes
    return tuple(first * pump_ratio * k for k in range(1, count + 1))
