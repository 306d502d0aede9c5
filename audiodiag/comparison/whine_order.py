"""At which order does the pump's tone stand, if several recordings of one car are taken together?

The pump's pulley and vanes are the same before and after, so its tone has one order in all recordings; where
one of them holds another part's tone for the pump's, the others correct it. On the side where the pump is
quiet all of them may hold another tone for it; so how loud a tone is where it is loudest counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from audiodiag.orders.drive import PumpDrive, PumpTone

__all__ = ["common_order"]

SAME_ORDER = 0.008
"""Distance of two orders, as a share, up to which they may be one (creep of the belt, error of the speed)."""
UNHEARD = 0.05
"""Probability that a recording speaks for an order although it names other tones (an assumption)."""
OCTAVE = 0.5
"""What a tone at twice or half an order counts for it: an odd number of vanes sounds at twice R z."""
LOUDNESS, MOST = 0.2, 8
"""What a tone gains in its mean log support for each dB, and how many tones are weighed (chosen on simulated
pairs)."""


def common_order(
    drives: Sequence[PumpDrive], level_db: Callable[[float], float] | None = None
) -> float | None:
    """Give the order that the recordings together hold for the pump's tone, None where none has a tone.

    ``level_db``: how loud the tones of an order are on the side where they are louder, dB; it is asked for
    the orders that are named most. Without it all count as equally loud.

    >>> from audiodiag.orders.drive import find_drive
    >>> from dataclasses import replace
    >>> nothing = find_drive(None)
    >>> one = replace(nothing, tones=(PumpTone(13.6, 0.02, 0.6), PumpTone(11.8, 0.02, 0.3)))
    >>> two = replace(nothing, tones=(PumpTone(11.84, 0.02, 0.7),))
    >>> round(common_order([one]), 1), round(common_order([one, two]), 1), common_order([nothing])
    (13.6, 11.8, None)
    """
    orders = sorted({tone.order for drive in drives for tone in drive.tones})
    if not orders:
        return None
    if level_db is not None:
        orders = _named_most(drives, orders)
    scores = []
    for order in orders:
        held = [math.log(UNHEARD + _support(drive.tones, order)) for drive in drives]
        loud = 0.0 if level_db is None else LOUDNESS * level_db(order)
        scores.append(round(sum(sorted(held)) / len(held) + loud, 9))
    _, best = max(zip(scores, orders, strict=True))
    near = sorted((t.order, t.probability) for d in drives for t in d.tones if _apart(t.order, best) == 0.0)
    order, probability = np.array(near).T
    return float(order @ probability / probability.sum())


def _named_most(drives: Sequence[PumpDrive], orders: Sequence[float]) -> list[float]:
    """The orders that are named most, those that may be one counted once."""
    named = {order: round(sum(sorted(_support(d.tones, order) for d in drives)), 9) for order in orders}
    kept: list[float] = []
    for order in sorted(orders, key=lambda order: (-named[order], order)):
        if len(kept) < MOST and all(_apart(order, other) > 0.0 for other in kept):
            kept.append(order)
    return kept


def _support(tones: Sequence[PumpTone], order: float) -> float:
    """How far the tones of one recording speak for an order."""
    same = sum(t.probability for t in tones if _apart(t.order, order) == 0.0)
    octave = sum(
        t.probability for t in tones if 0.0 in (_apart(t.order, 2.0 * order), _apart(t.order, order / 2.0))
    )
    return same + OCTAVE * octave


def _apart(one: float, two: float) -> float:
    """Distance of two orders as a share, 0 where they may be one."""
    share = abs(math.log(one / two))
    return 0.0 if share < SAME_ORDER else share
