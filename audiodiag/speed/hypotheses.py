"""Half, double, or another number of cylinders? What each reading of a track would have to show.

One track and its multiples by small ratios explain a short spectrum almost equally well. Over the whole clip,
straightened by the track, the lines are sharp: an engine of N cylinders has its firing lines at multiples of
N/2, weaker lines at the other half orders, nothing at the quarter orders, and repeats itself after two
revolutions better than after any other turn. Each hypothesis (factor on a track, cylinders) is described by
these levels and likenesses, by how well the short-time comb agrees with it, and by its speed; ``chooser``
weighs them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray
from audiodiag.speed.comb import CYLINDERS, RPM_GRID
from audiodiag.speed.comb_evidence import (
    EVIDENCE_NAMES,
    evidence_features,
    line_evidence,
    line_scores,
    line_terms,
)
from audiodiag.speed.front import LOG_STEP

__all__ = [
    "FACTORS",
    "FINE_REVS",
    "FINE_STEP",
    "HYPOTHESIS_FEATURES",
    "CombAgreement",
    "Hypothesis",
    "TrackView",
    "comb_agreement",
    "describe",
    "hypotheses",
]

FACTORS = (1 / 4, 1 / 3, 3 / 8, 2 / 5, 1 / 2, 3 / 5, 5 / 8, 2 / 3, 3 / 4, 4 / 5, 5 / 6, 1.0,
           6 / 5, 5 / 4, 4 / 3, 3 / 2, 8 / 5, 5 / 3, 2.0, 5 / 2, 8 / 3, 3.0, 4.0)  # fmt: skip
ORDER_STEP, FINE_REVS = 1 / 96, 72
FINE_STEP = 1 / (4 * FINE_REVS)
"""Windows of so many revolutions show faint half orders, in finer steps."""
_HALVES = np.arange(1, 25) / 2.0
LAGS_PER_REV = 64
LOWEST_RPM, HIGHEST_RPM = 450.0, 6500.0
ORDER_FIRST, ORDER_LAST, LOUDEST_LINES = 48, 24 * 96, 40
"""Part of a long order spectrum, in its steps, and how many of its highest values tell how clear it is."""
SAME_TRACK = 0.03
"""Two tracks closer than this share, for nine tenths of the time, are one reading."""

_LEVELS = tuple(
    f"{c}_{n}" for c in ("low", "env") for n in (
        "firing_1", "firing_2", "firing_3_4", "firing_5_8", "whole", "half_orders", "half_firing_1",
        "half_firing_3", "quarter", "firing_excess", "first_half_orders", "between_excess", "firing_2_of_1")
)  # fmt: skip
_LIKENESSES = tuple(
    f"{c}_{n}" for c in ("low", "env") for n in (
        "cycle", "two_cycles", "revolution", "firing_gap", "cycle_over_gaps", "cycle_over_firing",
        "cycle_over_others")
)  # fmt: skip
_CONTEXT = (
    "sharpness", "low_lines", "env_lines", "roughness", "log_sd", "log_duration", "best_agreement",
    "best_own_agreement",
)  # fmt: skip
HYPOTHESIS_FEATURES = (
    *_LEVELS, *_LIKENESSES,
    "agreement", "own_agreement", "joint_agreement", "worst_agreement", "behind_best_number",
    "behind_best", "prior", "log_speed", "log_speed_squared", "log_firing", "log_firing_squared",
    "as_tracked", "as_tracked_sharpness", "restricted",
    *(f"cylinders_{n}" for n in CYLINDERS), *_CONTEXT, "none_of_these", *EVIDENCE_NAMES,
)  # fmt: skip
"""Names of the numbers that describe a hypothesis; the last row of ``describe`` is *none of these*."""


@dataclass(frozen=True)
class Hypothesis:
    """The true speed is a track times ``factor`` and the engine has that many cylinders."""

    factor: float
    cylinders: int
    track: int = 0


@dataclass(frozen=True, eq=False)
class CombAgreement:
    """How well the short-time comb agrees with a track times each factor, for each number of cylinders.

    values: shape (factors, numbers, 4): mean score; mean log posterior among speeds; the same among speeds
    and numbers; its 15 % quantile over time. numbers: the cylinders considered.
    """

    values: FloatArray
    numbers: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class TrackView:
    """What the whole clip shows, straightened by one track.

    rpm: shape (frames,). levels: two long order spectra (low band, envelopes) above their background, nats,
    in steps of 1/96 order. fine_levels: the same from windows of ``FINE_REVS``, in steps of
    ``FINE_STEP``. likeness: two self-likenesses over lags of 1/64 revolution, 1 at lag 0. sharpness:
    0 to 1. relative_sd: standard deviation of the track. agreement: of the comb.
    """

    rpm: FloatArray
    levels: tuple[FloatArray, FloatArray]
    fine_levels: tuple[FloatArray, FloatArray]
    likeness: tuple[FloatArray, FloatArray]
    sharpness: float
    relative_sd: float
    agreement: CombAgreement

    @property
    def median_rpm(self) -> float:
        """Usual speed, if the track is right as it stands."""
        return float(np.median(self.rpm))


def hypotheses(views: tuple[FloatArray, ...], cylinders: tuple[int, ...]) -> tuple[Hypothesis, ...]:
    """List the hypotheses worth comparing about tracks, each shape (frames,), rpm.

    A multiple of a later track that is also a multiple of the first one is listed once.

    >>> len(hypotheses((np.full(20, 850.0),), (4,))) > 5
    True
    """
    found = []
    for place, rpm in enumerate(views):
        median = float(np.median(rpm))
        for factor in FACTORS:
            if not LOWEST_RPM <= factor * median <= HIGHEST_RPM:
                continue
            if place and any(_same(rpm * factor, views[0] * other) for other in FACTORS):
                continue
            found += [Hypothesis(factor, number, place) for number in cylinders]
    return tuple(found)


def _same(one: FloatArray, other: FloatArray) -> bool:
    away = np.abs(np.log(one / other))
    return bool(abs(np.log(np.median(one) / np.median(other))) < 0.02 and np.mean(away > SAME_TRACK) < 0.1)


def comb_agreement(rpm: FloatArray, scores: Mapping[int, FloatArray], prior: FloatArray) -> CombAgreement:
    """Read the comb's scores along a track times each factor.

    rpm: shape (frames,). scores: for each number of cylinders, shape (frames, grid), without the prior.
    prior: shape (grid,).
    """
    numbers = tuple(scores)
    rows = np.arange(len(rpm))
    whole = {n: np.logaddexp.reduce(scores[n] + prior, axis=1) for n in numbers}
    together = np.logaddexp.reduce([whole[n] for n in numbers], axis=0)
    values = np.empty((len(FACTORS), len(numbers), 4))
    for i, factor in enumerate(FACTORS):
        place = np.round(np.log(rpm * factor / RPM_GRID[0]) / LOG_STEP).astype(int)
        place = np.clip(place, 1, len(RPM_GRID) - 2)
        expected = prior[place]
        for j, number in enumerate(numbers):
            table = scores[number]
            score = np.maximum(np.maximum(table[rows, place - 1], table[rows, place]), table[rows, place + 1])
            own = score + expected - whole[number]
            joint = score + expected - together
            values[i, j] = score.mean(), own.mean(), joint.mean(), np.quantile(own, 0.15)
    return CombAgreement(values, numbers)


def _at(levels: FloatArray, orders: FloatArray) -> FloatArray:
    """Highest level within +-1.5/96 order of each place; NaN beyond the spectrum."""
    index = np.round(np.asarray(orders) / ORDER_STEP).astype(int)
    inside = (index > 0) & (index < len(levels) - 1)
    index = np.where(inside, index, 1)
    near = np.maximum(np.maximum(levels[index - 1], levels[index]), levels[index + 1])
    return np.where(inside, near, np.nan)


def _mean(values: FloatArray) -> float:
    values = values[np.isfinite(values)]
    return float(values.mean()) if len(values) else 0.0


@cache
def _half_orders(cylinders: int) -> tuple[NDArray[np.bool_], ...]:
    """Which of the first half orders are multiples of the firing order, else whole, else half."""
    firing = cylinders / 2.0
    on_firing = np.isclose(_HALVES % firing, 0) | np.isclose(_HALVES % firing, firing)
    is_whole = np.isclose(_HALVES % 1, 0)
    return on_firing, is_whole & ~on_firing, ~is_whole & ~on_firing


def _spectrum_features(levels: FloatArray, guess: Hypothesis) -> list[float]:
    def at(orders: FloatArray) -> FloatArray:
        return _at(levels, np.asarray(orders) * guess.factor)

    firing = guess.cylinders / 2.0
    multiples = at(firing * np.arange(1, 9))
    on_firing, whole, half = _half_orders(guess.cylinders)
    at_halves = at(_HALVES)
    quarter = _mean(at(np.arange(24) / 2.0 + 0.25))
    not_firing = _mean(at_halves[~on_firing])
    middle = at(firing * np.array([0.5, 1.5, 2.5, 3.5]))
    return [
        _mean(multiples[:1]), _mean(multiples[1:2]), _mean(multiples[2:4]), _mean(multiples[4:]),
        _mean(at_halves[whole]), _mean(at_halves[half]), _mean(middle[:1]), _mean(middle[1:]), quarter,
        _mean(multiples) - not_firing, _mean(at_halves[:6]), not_firing - quarter,
        _mean(multiples[1:2]) - _mean(multiples[:1]),
    ]  # fmt: skip


def _likeness_features(likeness: FloatArray, guess: Hypothesis) -> list[float]:
    """How much the clip repeats itself after one cycle of the hypothesis, and after what a cycle is not."""

    def at(lag: float) -> float:
        place = int(lag * LAGS_PER_REV)
        if place + 2 >= len(likeness):
            return np.nan
        return float(np.max(likeness[max(place - 1, 0) : place + 3]))

    cycle = 2.0 / guess.factor
    number = guess.cylinders
    whole, firing = at(cycle), at(cycle / number)
    gaps = [at(cycle * k / number) for k in range(1, number)]
    others = [at(cycle * share) for share in (0.29, 0.71, 1.29)]
    best_gap = max((g for g in gaps if np.isfinite(g)), default=0.0)
    other = _mean(np.array(others))
    heard = _or_zero(whole)
    found = [
        whole,
        at(2 * cycle),
        at(cycle / 2),
        firing,
        heard - best_gap,
        heard - _or_zero(firing),
        heard - other,
    ]
    return [_or_zero(value) for value in found]


def _or_zero(value: float) -> float:
    return value if np.isfinite(value) else 0.0


def _context(view: TrackView, duration_s: float) -> list[float]:
    lines = [
        float(np.mean(np.sort(levels[ORDER_FIRST:ORDER_LAST])[-LOUDEST_LINES:])) for levels in view.levels
    ]
    rough = 10.0 * float(np.mean(np.abs(np.diff(np.log(view.rpm))))) if len(view.rpm) > 1 else 0.0
    return [view.sharpness, *lines, rough, float(np.log(view.relative_sd + 1e-5)), float(np.log(duration_s))]


def describe(
    views: tuple[TrackView, ...], guesses: tuple[Hypothesis, ...], *, prior: FloatArray, duration_s: float
) -> FloatArray:
    """Describe all hypotheses by numbers, in the order of ``HYPOTHESIS_FEATURES``.

    views: of each track. prior: log prior over ``RPM_GRID``. Returns shape (hypotheses + 1, features); the
    last row stands for *none of these* and is NaN but for the context.
    """
    best_joint = max(float(view.agreement.values[:, :, 2].max()) for view in views)
    context = [_context(view, duration_s) for view in views]
    rows = []
    for guess in guesses:
        view = views[guess.track]
        table = view.agreement.values[FACTORS.index(guess.factor)]
        mine = table[view.agreement.numbers.index(guess.cylinders)]
        speed = guess.factor * view.median_rpm
        log_speed, log_firing = np.log(speed / 900.0), np.log(speed * guess.cylinders / 120.0 / 25.0)
        as_tracked = float(guess.factor == 1.0)
        rows.append([
            *_spectrum_features(view.levels[0], guess), *_spectrum_features(view.levels[1], guess),
            *_likeness_features(view.likeness[0], guess), *_likeness_features(view.likeness[1], guess),
            *mine, mine[0] - table[:, 0].max(), mine[2] - best_joint,
            float(np.interp(np.log(speed), np.log(RPM_GRID), prior)),
            log_speed, log_speed**2, log_firing, log_firing**2,
            as_tracked, as_tracked * view.sharpness, float(guess.track > 0),
            *(float(guess.cylinders == n) for n in CYLINDERS),
            *context[guess.track], 0.0, 0.0, 0.0,
        ])  # fmt: skip
    plain = len(HYPOTHESIS_FEATURES) - len(EVIDENCE_NAMES)
    table = np.array(rows, float).reshape(len(rows), plain)
    first, last = plain - len(_CONTEXT) - 1, plain - 1
    for place, name in ((-3, "joint_agreement"), (-2, "own_agreement")):
        table[:, place] = table[:, HYPOTHESIS_FEATURES.index(name)].max()
    table = np.column_stack([table, _lines(views, guesses)])
    none = np.full(len(HYPOTHESIS_FEATURES), np.nan)
    none[first:last], none[last] = table[0, first:last], 1.0
    return np.vstack([table, none])


def _lines(views: tuple[TrackView, ...], guesses: tuple[Hypothesis, ...]) -> FloatArray:
    """What the lines of each hypothesis say, shape (hypotheses, names of ``comb_evidence``)."""
    terms = [
        [
            (line_terms(np.stack([line_scores(levels, step) for levels in pair])), step)
            for pair, step in ((view.levels, ORDER_STEP), (view.fine_levels, FINE_STEP))
        ]
        for view in views
    ]
    evidence = np.array([
        np.concatenate([line_evidence(each, step, g.factor, g.cylinders) for each, step in terms[g.track]])
        for g in guesses
    ])  # fmt: skip
    speed = np.array([g.factor * views[g.track].median_rpm for g in guesses])
    return evidence_features(evidence, speed, np.array([g.cylinders for g in guesses]))
