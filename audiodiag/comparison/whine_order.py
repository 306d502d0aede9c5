"""At which order does the pump's tone stand, if several recordings of one car are taken together?

The pump's pulley and vanes are the same before and after, so its tone has one order in all recordings; where
one of them holds another part's tone for the pump's, the others correct it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from audiodiag.orders.drive import PumpDrive, PumpTone

__all__ = ["common_order"]

SAME_ORDER = 0.008
"""Distance of two orders, as a share, up to which they may be one (creep of the belt, error of the speed)."""
UNHEARD = 0.05
"""Probability that a recording speaks for an order although it names other tones (an assumption)."""
OCTAVE = 0.5
"""What a tone at twice or half an order counts for it: an odd number of vanes sounds at twice R z."""


def common_order(drives: Sequence[PumpDrive]) -> float | None:
    """Give the order that the recordings together hold for the pump's tone, None where none has a tone.

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
    scores = [round(sum(sorted(_support(drive.tones, order) for drive in drives)), 9) for order in orders]
    _, best = max(zip(scores, orders, strict=True))
    near = sorted((t.order, t.probability) for d in drives for t in d.tones if _apart(t.order, best) == 0.0)
    order, probability = np.array(near).T
    return float(order @ probability / probability.sum())


def _support(tones: Sequence[PumpTone], order: float) -> float:
    """Log of how far the tones of one recording speak for an order."""
    same = sum(t.probability for t in tones if _apart(t.order, order) == 0.0)
    octave = sum(
        t.probability for t in tones if 0.0 in (_apart(t.order, 2.0 * order), _apart(t.order, order / 2.0))
    )
    return math.log(UNHEARD + same + OCTAVE * octave)


def _apart(one: float, two: float) -> float:
    """Distance of two orders as a share, 0 where they may be one."""
    share = abs(math.log(one / two))
    return 0.0 if share < SAME_ORDER else share
