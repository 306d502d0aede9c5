"""How wide is an interval, of which parts is that made, and how many recordings would make it narrow enough?

Some of what makes a change unsure stays however many recordings there are: it belongs to the phones and the
car. The rest is each recording's own, of its place, moment and coding, and shrinks with their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audiodiag.statistics import effective_degrees_of_freedom, student_quantile

__all__ = ["MOST_RECORDINGS", "Part", "recordings_for", "spread_of"]

MOST_RECORDINGS = 8
"""Recordings a side beyond which nobody is sent to record more."""
OFTEN = 1.2816
"""Standard deviations by which an interval must keep clear of nought to do so in nine of ten cases."""


@dataclass(frozen=True)
class Part:
    """One part of the variance of a change, dB squared.

    lasting: what stays. each: what one recording a side would add. few: what is left of that with the
    recordings at hand, as a share. freedom: degrees of freedom of all. phones: how much of what stays belongs
    to the phones, so that it shrinks too where every recording is made with another one.
    """

    lasting: float
    each: float
    few: float
    freedom: float
    phones: float = 0.0


def spread_of(parts: Sequence[Part], confidence: float) -> tuple[float, float]:
    """Standard deviation of all parts, dB, and the quantile by which it is multiplied.

    >>> sd, t = spread_of([Part(1.0, 6.0, 0.5, 8.0), Part(0.0, 5.0, 1.0, 8.0)], 0.975)
    >>> round(sd, 2), round(t, 2)
    (3.0, 2.12)
    """
    deviations = np.sqrt([part.lasting + part.few * part.each for part in parts])
    freedom = effective_degrees_of_freedom(deviations, [part.freedom for part in parts])
    return float(np.sqrt((deviations**2).sum())), student_quantile(confidence, freedom)


def recordings_for(change_db: float, parts: Sequence[Part], at_hand: int, confidence: float) -> int | None:
    """How many recordings a side, each with another phone at another place, find a change of this size in
    nine of ten cases, if they are like those at hand; None if even ``MOST_RECORDINGS`` are too few. Never
    fewer than ``at_hand``.

    >>> recordings_for(6.0, [Part(1.0, 9.0, 1.0, 20.0)], 1, 0.975)
    5
    >>> recordings_for(6.0, [Part(16.0, 1.0, 1.0, 20.0)], 1, 0.975) is None
    True
    >>> recordings_for(6.0, [Part(4.0, 1.0, 1.0, 20.0)], 1, 0.975) is None
    True
    >>> recordings_for(6.0, [Part(4.0, 1.0, 1.0, 20.0, phones=4.0)], 1, 0.975)
    2
    >>> recordings_for(6.0, [Part(0.1, 0.1, 0.1, 20.0)], 9, 0.975)
    9
    """
    for number in range(at_hand, max(at_hand, MOST_RECORDINGS) + 1):
        few = [
            replace(
                part,
                few=min(part.few, 1.0 / number),
                lasting=part.lasting - part.phones * (1.0 - at_hand / number),
            )
            for part in parts
        ]
        sd, t = spread_of(few if number > at_hand else parts, confidence)
        if (t + OFTEN) * sd <= change_db:
            return number
    return None
