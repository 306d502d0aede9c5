"""Answers with a stated coverage: which of *present* and *absent* cannot be ruled out.

Split conformal prediction, one limit for each truth (label-conditional): of all clips in which a symptom is
present, at least the stated share keep *present* in their answer, and likewise for *absent*, as long as the
clips come like those that the limits were taken from. Sources, from memory: Vovk, Gammerman and Shafer,
Algorithmic Learning in a Random World; Angelopoulos and Bates, arXiv 2107.07511. With n clips and error
share alpha the limit is the k-th smallest distance, ``k = ceil((n + 1) (1 - alpha))``, and the coverage over
draws of the n clips follows Beta(k, n + 1 - k).

The limits of the training are cross-conformal: each distance comes from a model and a law that were not
fitted on the clip's fold, and the answer from ones that were fitted on all (Vovk, Annals of Mathematics and
Artificial Intelligence 74 (2015), from memory). The coverage of the law above is then no longer proved, since
the distances come from several models; ``DEVELOPERS.md`` says how near it was on clips kept apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["ALPHA", "ConformalLimits", "PresenceSet", "conformal_limit", "learn_limits", "limit_index"]

ALPHA = 0.1
"""Share of clips whose answer may miss the truth."""

PresenceSet = Literal["present", "absent", "either", "neither"]


def limit_index(count: int, alpha: float) -> int:
    """Give k, counted from 1; where it exceeds ``count`` nothing can be ruled out.

    >>> limit_index(99, 0.1), limit_index(20, 0.1), limit_index(9, 0.1), limit_index(8, 0.1)
    (90, 19, 9, 9)
    """
    return math.ceil((count + 1) * (1.0 - alpha) - 1e-9)


def conformal_limit(distance: FloatArray, *, alpha: float = ALPHA) -> float:
    """Give the largest distance from the truth that still agrees; 1 where there are too few clips.

    distance: shape (n,), or (ways, n) where each clip has several, each of which counts a part.

    >>> conformal_limit(np.linspace(0.01, 0.2, 20), alpha=0.1)
    0.19
    >>> conformal_limit(np.stack([np.linspace(0.01, 0.2, 20)] * 2), alpha=0.1)
    0.19
    """
    ways = np.atleast_2d(np.asarray(distance, dtype=float))
    k = limit_index(ways.shape[1], alpha)
    return float(np.sort(ways, axis=None)[k * len(ways) - 1]) if k <= ways.shape[1] else 1.0


@dataclass(frozen=True)
class ConformalLimits:
    """How far a probability may lie from 1 (``present``) or from 0 (``absent``) and still agree."""

    present: float
    absent: float
    alpha: float

    def answer(self, probability: float) -> PresenceSet:
        """Say which truths cannot be ruled out; ``neither`` means that the clip resembles neither kind.

        >>> ConformalLimits(present=0.4, absent=0.3, alpha=0.1).answer(0.9)
        'present'
        >>> ConformalLimits(present=0.8, absent=0.7, alpha=0.1).answer(0.5)
        'either'
        """
        there, gone = 1.0 - probability <= self.present, probability <= self.absent
        if there:
            return "either" if gone else "present"
        return "absent" if gone else "neither"


def learn_limits(present: FloatArray, *probability: FloatArray, alpha: float = ALPHA) -> ConformalLimits:
    """Learn both limits from what was said of clips by models and laws that were not fitted on them.

    probability: shape (n,), once or more; what was said of a clip in several ways counts a part each.
    """
    truth = np.asarray(present) > 0.5
    p = np.stack([np.asarray(each, dtype=float) for each in probability])
    return ConformalLimits(
        conformal_limit(1.0 - p[:, truth], alpha=alpha), conformal_limit(p[:, ~truth], alpha=alpha), alpha
    )
