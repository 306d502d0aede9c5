"""How wide is an interval, of which parts is that made, and how many recordings would make it narrow enough?

Some of what makes a change unsure stays however many recordings there are: it belongs to the phones and the
car. The rest is each recording's own, of its place, moment and coding, and shrinks with their number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiodiag.statistics import effective_degrees_of_freedom, student_quantile

__all__ = ["MOST_RECORDINGS", "Part", "recordings_for", "spread_of"]

MOST_RECORDINGS = 8
"""Recordings a side beyond which nobody is sent to record more."""


@dataclass(frozen=True)
class Part:
    """One part of the variance, dB squared: what stays, what shrinks with the number of recordings, as it is
    with those at hand, and the degrees of freedom of both."""

    lasting: float
    passing: float
    freedom: float


def spread_of(parts: Sequence[Part], confidence: float) -> tuple[float, float]:
    """Standard deviation of all parts, dB, and the quantile by which it is multiplied.

    >>> sd, t = spread_of([Part(1.0, 3.0, 8.0), Part(0.0, 5.0, 8.0)], 0.975)
    >>> round(sd, 2), round(t, 2)
    (3.0, 2.12)
    """
    deviations = np.sqrt([part.lasting + part.passing for part in parts])
    freedom = effective_degrees_of_freedom(deviations, [part.freedom for part in parts])
    return float(np.sqrt((deviations**2).sum())), student_quantile(confidence, freedom)


def recordings_for(
    change_db: float, parts: Sequence[Part], counts: tuple[int, int], confidence: float
) -> int | None:
    """How many recordings either side needs for a change of this size to be told, if they are like those at
    hand; None if even ``MOST_RECORDINGS`` are too few.

    ``counts``: recordings at hand, before and after.

    >>> recordings_for(6.0, [Part(1.0, 16.0, 20.0)], (1, 1), 0.975)
    3
    >>> recordings_for(6.0, [Part(16.0, 1.0, 20.0)], (1, 1), 0.975) is None
    True
    """
    few = sum(1.0 / count for count in counts) / 2.0
    for number in range(1, MOST_RECORDINGS + 1):
        shrunk = 1.0 / number / few
        if shrunk > 1.0 + 1e-9:
            continue
        sd, t = spread_of(
            [Part(part.lasting, part.passing * shrunk, part.freedom) for part in parts], confidence
        )
        if math.isfinite(sd) and t * sd <= change_db:
            return number
    return None
