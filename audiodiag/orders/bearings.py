"""Orders at which a rolling bearing hammers when one of its surfaces is damaged."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiodiag.errors import VehicleError

__all__ = ["BearingOrders", "bearing_orders"]


@dataclass(frozen=True)
class BearingOrders:
    """Events per crank revolution of one bearing.

    ``outer_race`` BPFO, ``inner_race`` BPFI, ``cage`` FTF, ``ball_spin`` BSF, ``ball_strike`` 2 BSF (a
    damaged ball strikes both races). Slip moves the true lines by 1 to 2 per cent (Randall and Antoni,
    MSSP 25(2), 2011).
    """

    outer_race: float
    inner_race: float
    cage: float
    ball_spin: float
    ball_strike: float


def bearing_orders(
    *,
    balls: int,
    ball_diameter: float,
    pitch_diameter: float,
    contact_angle_deg: float = 0.0,
    turns_per_crank_turn: float = 1.0,
) -> BearingOrders:
    """Give the orders of a bearing whose inner ring turns and whose outer ring stands.

    Parameters
    ----------
    balls:
        Number of rolling elements.
    ball_diameter, pitch_diameter:
        In the same unit, any.
    contact_angle_deg:
        Contact angle in degrees.
    turns_per_crank_turn:
        Turns of the shaft per crank turn.

    Raises
    ------
    VehicleError
        If the geometry cannot be.

    Source: with ``r = d cos(a) / D``: BPFO = n/2 (1 - r), BPFI = n/2 (1 + r), FTF = (1 - r)/2, BSF =
    D/(2 d) (1 - r²); Randall and Antoni, Mechanical Systems and Signal Processing 25(2), 2011, 485-520.

    >>> round(bearing_orders(balls=9, ball_diameter=0.3126, pitch_diameter=1.537).outer_race, 4)
    3.5848
    """
    r = ball_diameter * math.cos(math.radians(contact_angle_deg)) / max(pitch_diameter, 1e-12)
    if balls < 3 or not 0.0 < r < 1.0 or turns_per_crank_turn <= 0.0:
        raise VehicleError(
            "a bearing of this geometry cannot be",
            got=f"{balls} balls of {ball_diameter:g} on a circle of {pitch_diameter:g}",
            allowed="at least 3 balls, smaller than the circle on which they run",
            todo="look up the bearing's measures",
        )
    turns = turns_per_crank_turn
    spin = turns * pitch_diameter / (2.0 * ball_diameter) * (1.0 - r * r)
    return BearingOrders(
        outer_race=turns * balls / 2.0 * (1.0 - r),
        inner_race=turns * balls / 2.0 * (1.0 + r),
        cage=turns / 2.0 * (1.0 - r),
        ball_spin=spin,
        ball_strike=2.0 * spin,
    )
