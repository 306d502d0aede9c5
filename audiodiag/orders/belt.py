"""Order of a belt: how often one spot of it passes per crank revolution."""

from __future__ import annotations

import math

from audiodiag.errors import VehicleError

__all__ = ["belt_order"]


def belt_order(crank_pulley_mm: float, belt_length_mm: float) -> float:
    """Give the belt passes per crank revolution: ``pi · crank pulley diameter / belt length``.

    Raises
    ------
    VehicleError
        If the belt is too short to go round its pulley.

    >>> round(belt_order(150.0, 2100.0), 5)
    0.2244
    """
    if not 0.0 < math.pi * crank_pulley_mm < belt_length_mm < math.inf:
        raise VehicleError(
            "a belt of this length does not go round its pulley",
            got=f"a belt of {belt_length_mm:g} mm on a crank pulley of {crank_pulley_mm:g} mm",
            allowed="a belt longer than the pulley's circumference, both in mm",
            todo="read the belt's length from its back and measure the pulley's diameter",
        )
    return math.pi * crank_pulley_mm / belt_length_mm
