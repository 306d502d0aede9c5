"""How surely do the lines of one engine stand out, measured against the scatter of the clip's own spectrum?

A reading of a track (speed, number of cylinders) says at which orders lines may stand. Which of them can be
heard differs from engine to engine, so every family of orders (odd and even multiples of the firing order,
the half of it, other whole and other half orders) has a share of audible lines that nobody knows: the
evidence is averaged over that share. A family of which nothing is heard then says next to nothing, and one
whose lines all stand out a little says much.
"""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from audiodiag.records import FloatArray

__all__ = ["EVIDENCE_NAMES", "FAMILIES", "evidence_features", "line_evidence", "line_scores", "line_terms"]

FAMILIES = ("firing_odd", "firing_even", "half_firing", "whole", "half")
SPECTRA = ("low", "env", "low_fine", "env_fine")
AUDIBLE_SHARES = np.array([0.0, 0.05, 0.15, 0.4, 0.8])
"""Shares of audible lines in a family that count alike beforehand."""
LOUDEST_SCORE, LEAST_SCATTER = 12.0, 0.05
"""A line that is heard stands anywhere up to so many standard deviations; least scatter in nats."""
MOST_RATIO, LEAST_RATIO = 150.0, 0.1
TOP_ORDER, LOWEST_ORDER, HIGHEST_ORDER = 16.0, 0.5, 24.0
WIDTH_ORDER = 1 / 64
"""A line may stand off its order by half as much either way."""
SAME_SPEED = 0.02
HELD, HELD_WHOLE, NO_RIVAL = 30.0, 40.0, -30.0

EVIDENCE_NAMES = (
    *(f"lines_{s}" for s in SPECTRA), *(f"rhythm_{s}" for s in SPECTRA), "lines_behind_best",
    "rhythm_behind_best", "rhythm_before_rival", *(f"{f}_{s}" for f in FAMILIES for s in SPECTRA),
    "odd_before_even",
)  # fmt: skip
"""Names of what ``evidence_features`` gives for each reading."""


@cache
def _families(cylinders: int, half_orders: int) -> tuple[FloatArray, NDArray[np.intp]]:
    """The first so many half orders, one family after the other, and the family of each."""
    half = np.arange(1, half_orders + 1)
    firing, number = half % cylinders == 0, half // cylinders
    between = ~firing & (2 * half % cylinders == 0)
    rest = ~firing & ~between
    chosen = (
        firing & (number % 2 == 1),
        firing & (number % 2 == 0),
        between,
        rest & (half % 2 == 0),
        rest & (half % 2 == 1),
    )
    orders = np.concatenate([half[each] / 2.0 for each in chosen])
    return orders, np.repeat(np.arange(len(chosen)), [int(each.sum()) for each in chosen])


@lru_cache(maxsize=2048)
def _places(
    count: int, step: float, factor: float, cylinders: int, top: float | None
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Where the lines of a reading lie in ``count`` steps, where each family begins, and which it is."""
    most = HIGHEST_ORDER if top is None else min(top, HIGHEST_ORDER)
    orders, family = _families(cylinders, int(2 * (TOP_ORDER if top is None else top / factor + 1)))
    here = orders * factor
    kept = (here > 0.1) & (here < min(most, (count - 2) * step))
    own = family[kept]
    first = np.flatnonzero(np.diff(own, prepend=-1))  # one family stands after the other
    return np.round(here[kept] / step).astype(np.intp), first, own[first]


def line_scores(levels: FloatArray, step: float) -> FloatArray:
    """Height of every place of an order spectrum in standard deviations of the places without lines.

    levels: shape (orders,), in steps of so many orders, any scale that is logarithmic. The scatter is taken
    below the median, where no line reaches.

    >>> noise = np.random.default_rng(1).normal(size=3072)
    >>> noise[20 * 96] = 30.0
    >>> bool(line_scores(noise, 1 / 96)[20 * 96] > 20.0)
    True
    """
    near = maximum_filter1d(np.asarray(levels, float), 2 * int(0.5 * WIDTH_ORDER / step) + 1)
    part = near[int(LOWEST_ORDER / step) : int(HIGHEST_ORDER / step)]
    middle = float(np.median(part))
    return np.asarray((near - middle) / max(middle - float(np.quantile(part, 0.16)), LEAST_SCATTER))


def line_terms(scores: FloatArray) -> FloatArray:
    """Log of how much likelier a line makes each score, for every share of audible lines.

    scores: from ``line_scores``, shape (..., orders). Returns shape (..., shares, orders), natural logarithm.

    Source: a line that is heard has a score spread evenly up to ``LOUDEST_SCORE``, one that is not a normal
    one; the odds of a mixture with a share unknown beforehand (Bayes' theorem; plain calculation).
    """
    height = np.clip(scores, 0.0, 3.9)
    ratio = np.sqrt(2 * np.pi) / LOUDEST_SCORE * np.exp(0.5 * height**2)
    ratio = np.where(scores > 0, np.minimum(ratio, MOST_RATIO), LEAST_RATIO)
    return np.asarray(np.log1p(AUDIBLE_SHARES[:, None] * (ratio[..., None, :] - 1.0)))


def line_evidence(
    terms: FloatArray, step: float, factor: float, cylinders: int, *, top: float | None = None
) -> FloatArray:
    """Log odds of each family's lines against none, shape (..., families), natural logarithm.

    terms: from ``line_terms``, of clips straightened by a track, in steps of ``step`` orders. The engine
    turns ``factor`` times as fast as the track says. top: judge the lines up to this order of the track,
    without it up to ``TOP_ORDER`` of the engine. Readings that fire alike then say the same of the firing
    lines; up to an order of the engine, the one that turns faster is credited with lines further up.
    """
    place, first, some = _places(terms.shape[-1], step, factor, cylinders, top)
    found = np.zeros((*terms.shape[:-2], len(FAMILIES)))
    if len(some):
        sums = np.add.reduceat(terms[..., place], first, axis=-1)
        found[..., some] = np.logaddexp.reduce(sums, axis=-2) - np.log(len(AUDIBLE_SHARES))
    return found


def _held(values: FloatArray, most: float = HELD) -> FloatArray:
    return np.asarray(most * np.tanh(values / most))


def evidence_features(evidence: FloatArray, speed_rpm: FloatArray, cylinders: FloatArray) -> FloatArray:
    """Describe readings by their lines, alone and against those that fire as often.

    evidence: shape (readings, spectra, families), spectra as ``SPECTRA``. speed_rpm, cylinders: shape
    (readings,). Returns shape (readings, names) in the order of ``EVIDENCE_NAMES``.
    """
    lines, rhythm = evidence.sum(axis=2), evidence[:, :, 2:].sum(axis=2)
    all_lines, all_rhythm = 0.5 * lines.sum(axis=1), 0.5 * rhythm.sum(axis=1)
    firing = speed_rpm * cylinders
    fires_alike = np.abs(np.log(firing[:, None] / firing[None, :])) < SAME_SPEED
    like = np.abs(np.log(speed_rpm[:, None] / speed_rpm[None, :])) < SAME_SPEED
    like &= cylinders[:, None] == cylinders[None, :]
    rival = np.where(fires_alike & ~like, all_rhythm[None, :], NO_RIVAL).max(axis=1)
    families = _held(evidence).transpose(0, 2, 1).reshape(len(evidence), -1)
    odd_even = np.tanh(evidence[:, :, 0].mean(axis=1) / 10) - np.tanh(evidence[:, :, 1].mean(axis=1) / 10)
    return np.column_stack([
        _held(lines), _held(rhythm), _held(all_lines - all_lines.max(), HELD_WHOLE),
        _held(all_rhythm - all_rhythm.max(), HELD_WHOLE), _held(all_rhythm - rival, HELD_WHOLE),
        families, odd_even,
    ])  # fmt: skip
