"""Half, double, or another number of cylinders? What each reading of a track would have to show.

One track and its multiples by small ratios explain a short spectrum almost equally well. Over the whole clip,
straightened by the track, the lines are sharp: an engine of N cylinders has its firing lines at multiples of
N/2, weaker lines at the other half orders, nothing at the quarter orders, and repeats itself after two
revolutions better than after any other turn. Each hypothesis (factor on a track, cylinders) is described by
these levels and likenesses, by how well the short-time comb agrees with it, and by its speed; ``chooser``
weighs them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
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
    "is_multiple",
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
SAME_TRACK, SAME_USUAL = 0.03, 0.02
"""Two tracks closer than this share, for nine tenths of the time, and in the usual speed, are one reading."""

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
_BEHIND = ("sharpness", "low_lines", "env_lines", "roughness", "log_sd")
_LOW_IS_BETTER = np.array([name in ("roughness", "log_sd") for name in _BEHIND])
_COURSES = (
    "against", "against_more", "one_rival", "two_rivals", *(f"behind_in_{name}" for name in _BEHIND),
)  # fmt: skip
MOST_AGAINST = 60.0
"""So many nats of what moves in the sound against a course count."""
HYPOTHESIS_FEATURES = (
    *_LEVELS, *_LIKENESSES,
    "agreement", "own_agreement", "joint_agreement", "worst_agreement", "behind_best_number",
    "behind_best", "prior", "log_speed", "log_speed_squared", "log_firing", "log_firing_squared",
    "as_tracked", "as_tracked_sharpness", "later_course",
    *(f"cylinders_{n}" for n in CYLINDERS), *_CONTEXT, "none_of_these", *EVIDENCE_NAMES,
    *_COURSES,
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

    @cached_property
    def median_rpm(self) -> float:
        """Usual speed, if the track is right as it stands."""
        return float(np.median(self.rpm))


def hypotheses(views: tuple[FloatArray, ...], cylinders: tuple[int, ...]) -> tuple[Hypothesis, ...]:
    """List the hypotheses worth comparing about tracks, each shape (frames,), rpm.

    A multiple of a later track that is also a multiple of an earlier one is listed once.

    >>> len(hypotheses((np.full(20, 850.0),), (4,))) > 5
    True
    """
    found = []
    for place, rpm in enumerate(views):
        median = float(np.median(rpm))
        for factor in FACTORS:
            if not LOWEST_RPM <= factor * median <= HIGHEST_RPM:
                continue
            if is_multiple(rpm * factor, views[:place]):
                continue
            found += [Hypothesis(factor, number, place) for number in cylinders]
    return tuple(found)


def is_multiple(rpm: FloatArray, tracks: Sequence[FloatArray]) -> bool:
    """Whether a track, shape (frames,), rpm, is one of the others times one of ``FACTORS``.

    >>> is_multiple(np.full(20, 850.0), [np.full(20, 1700.0)]), is_multiple(np.full(20, 850.0), [])
    (True, False)
    """
    for track in tracks:
        usual = np.log(np.median(rpm) / np.median(track))
        for factor in FACTORS:
            if abs(usual - np.log(factor)) < SAME_USUAL:
                away = np.abs(np.log(rpm / (factor * track)))
                if np.mean(away > SAME_TRACK) < 0.1:
                    return True
    return False


def comb_agreement(rpm: FloatArray, scores: Mapping[int, FloatArray], prior: FloatArray) -> CombAgreement:
    """Read the comb's scores along a track times each factor.

    rpm: shape (frames,). scores: for each number of cylinders, shape (frames, grid), without the prior.
    prior: shape (grid,).
    """
    numbers = tuple(scores)
    rows = np.arange(len(rpm))
    whole = {n: _summed_up(scores[n] + prior) for n in numbers}
    together = np.logaddexp.reduce([whole[n] for n in numbers], axis=0)
    place = np.round(np.log(rpm * np.array(FACTORS)[:, None] / RPM_GRID[0]) / LOG_STEP).astype(int)
    place = np.clip(place, 1, len(RPM_GRID) - 2)
    values = np.empty((len(FACTORS), len(numbers), 4))
    for j, number in enumerate(numbers):
        table = scores[number]
        near = np.maximum(np.maximum(table[rows, place - 1], table[rows, place]), table[rows, place + 1])
        own, joint = near + prior[place] - whole[number], near + prior[place] - together
        low = np.quantile(own, 0.15, axis=1)
        values[:, j] = np.column_stack([near.mean(axis=1), own.mean(axis=1), joint.mean(axis=1), low])
    return CombAgreement(values, numbers)


def _summed_up(table: FloatArray) -> FloatArray:
    """Logarithm of the sum of the exponentials of each row."""
    top = table.max(axis=1)
    return np.asarray(top + np.log(np.exp(table - top[:, None]).sum(axis=1)))


def _at(levels: FloatArray, orders: FloatArray) -> FloatArray:
    """Highest level within +-1.5/96 order of each place, of any shape; NaN beyond the spectrum."""
    index = np.round(orders / ORDER_STEP).astype(int)
    inside = (index > 0) & (index < len(levels) - 1)
    highest = np.maximum(np.maximum(levels[:-2], levels[1:-1]), levels[2:])
    return np.where(inside, highest[np.where(inside, index - 1, 0)], np.nan)


def _means(values: FloatArray, which: NDArray[np.bool_] | None = None) -> FloatArray:
    """Mean over the columns that count and are known, of each row of a table; 0 where there is none."""
    counts = np.isfinite(values) if which is None else which & np.isfinite(values)
    return np.where(counts, values, 0.0).sum(axis=1) / np.maximum(counts.sum(axis=1), 1)


@cache
def _half_orders(cylinders: int) -> tuple[NDArray[np.bool_], ...]:
    """Which of the first half orders are multiples of the firing order, else whole, else half."""
    firing = cylinders / 2.0
    on_firing = np.isclose(_HALVES % firing, 0) | np.isclose(_HALVES % firing, firing)
    is_whole = np.isclose(_HALVES % 1, 0)
    return on_firing, is_whole & ~on_firing, ~is_whole & ~on_firing


def _spectrum_features(levels: FloatArray, guesses: Sequence[Hypothesis]) -> FloatArray:
    """Describe the lines of each hypothesis in one long order spectrum, shape (hypotheses, 13)."""
    factor = np.array([g.factor for g in guesses])[:, None]
    firing = np.array([g.cylinders / 2.0 for g in guesses])[:, None]
    multiples = _at(levels, factor * firing * np.arange(1, 9))
    halves = _at(levels, factor * _HALVES)
    quarters = _at(levels, factor * (np.arange(24) / 2.0 + 0.25))
    middles = _at(levels, factor * firing * np.array([0.5, 1.5, 2.5, 3.5]))
    kinds = [_half_orders(g.cylinders) for g in guesses]
    on_firing, whole, half = (np.array([kind[place] for kind in kinds]) for place in range(3))
    quarter, not_firing = _means(quarters), _means(halves, ~on_firing)
    first, second = (_means(multiples[:, [n]]) for n in (0, 1))
    return np.column_stack([
        first, second, _means(multiples[:, 2:4]), _means(multiples[:, 4:]),
        _means(halves, whole), _means(halves, half), _means(middles[:, :1]),
        _means(middles[:, 1:]), quarter, _means(multiples) - not_firing,
        _means(halves[:, :6]), not_firing - quarter, second - first,
    ])  # fmt: skip


def _likeness_features(likeness: FloatArray, guesses: Sequence[Hypothesis]) -> FloatArray:
    """How much the clip repeats itself after one cycle of each hypothesis, and after what a cycle is not.

    Shape (hypotheses, 7); 0 where the clip is too short to tell.
    """
    near = sliding_window_view(np.pad(likeness, (1, 0), constant_values=-np.inf), 4).max(axis=1)

    def at(lags: FloatArray) -> FloatArray:
        place = (lags * LAGS_PER_REV).astype(int)
        return np.where(place < len(near), near[np.minimum(place, len(near) - 1)], np.nan)

    cycle = 2.0 / np.array([g.factor for g in guesses])[:, None]
    number = np.array([g.cylinders for g in guesses])[:, None]
    gap = np.arange(1, max(CYLINDERS))
    between = np.where(gap < number, at(cycle * gap / number), np.nan)
    best_gap = np.nan_to_num(np.fmax.reduce(between, axis=1))
    whole, two, turn = np.nan_to_num(at(cycle * np.array([1.0, 2.0, 0.5]))).T
    firing = np.nan_to_num(at(cycle / number))[:, 0]
    other = _means(at(cycle * np.array([0.29, 0.71, 1.29])))
    return np.column_stack([whole, two, turn, firing, whole - best_gap, whole - firing, whole - other])


def _context(view: TrackView, duration_s: float) -> list[float]:
    lines = [
        float(np.mean(np.sort(levels[ORDER_FIRST:ORDER_LAST])[-LOUDEST_LINES:])) for levels in view.levels
    ]
    rough = 10.0 * float(np.mean(np.abs(np.diff(np.log(view.rpm))))) if len(view.rpm) > 1 else 0.0
    return [view.sharpness, *lines, rough, float(np.log(view.relative_sd + 1e-5)), float(np.log(duration_s))]


def describe(
    views: tuple[TrackView, ...],
    guesses: tuple[Hypothesis, ...],
    *,
    prior: FloatArray,
    duration_s: float,
    against: Sequence[float],
    rivals: int,
) -> FloatArray:
    """Describe all hypotheses by numbers, in the order of ``HYPOTHESIS_FEATURES``.

    views: of each track. prior: log prior over ``RPM_GRID``. against: what moves in the sound against each
    track, nats. rivals: how many of the tracks the low sound or the envelopes tell of alone. Returns shape
    (hypotheses + 1, features); the last row stands for *none of these* and is NaN but for the context.
    """
    best_joint = max(float(view.agreement.values[:, :, 2].max()) for view in views)
    context = [_context(view, duration_s) for view in views]
    lines = np.empty((2, len(guesses), len(_LEVELS) // 2))
    alike = np.empty((2, len(guesses), len(_LIKENESSES) // 2))
    for number, view in enumerate(views):
        here = [place for place, guess in enumerate(guesses) if guess.track == number]
        for sound in (0, 1) if here else ():
            mine = [guesses[place] for place in here]
            lines[sound, here] = _spectrum_features(view.levels[sound], mine)
            alike[sound, here] = _likeness_features(view.likeness[sound], mine)
    rows = []
    for place, guess in enumerate(guesses):
        view = views[guess.track]
        table = view.agreement.values[FACTORS.index(guess.factor)]
        agrees = table[view.agreement.numbers.index(guess.cylinders)]
        speed = guess.factor * view.median_rpm
        log_speed, log_firing = np.log(speed / 900.0), np.log(speed * guess.cylinders / 120.0 / 25.0)
        as_tracked = float(guess.factor == 1.0)
        rows.append([
            *lines[0, place], *lines[1, place],
            *alike[0, place], *alike[1, place],
            *agrees, agrees[0] - table[:, 0].max(), agrees[2] - best_joint,
            float(np.interp(np.log(speed), np.log(RPM_GRID), prior)),
            log_speed, log_speed**2, log_firing, log_firing**2,
            as_tracked, as_tracked * view.sharpness, float(guess.track > 0),
            *(float(guess.cylinders == n) for n in CYLINDERS),
            *context[guess.track], 0.0, 0.0, 0.0,
        ])  # fmt: skip
    plain = len(HYPOTHESIS_FEATURES) - len(EVIDENCE_NAMES) - len(_COURSES)
    table = np.array(rows, float).reshape(len(rows), plain)
    first, last = plain - len(_CONTEXT) - 1, plain - 1
    for place, name in ((-3, "joint_agreement"), (-2, "own_agreement")):
        table[:, place] = table[:, HYPOTHESIS_FEATURES.index(name)].max()
    table = np.column_stack([table, _lines(views, guesses), _courses(table, guesses, against, rivals)])
    none = np.full(len(HYPOTHESIS_FEATURES), np.nan)
    none[first:last], none[last] = table[0, first:last], 1.0
    return np.vstack([table, none])


def _courses(
    table: FloatArray, guesses: Sequence[Hypothesis], against: Sequence[float], rivals: int
) -> FloatArray:
    """Set the course of each hypothesis beside those of the others, shape (hypotheses, ``_COURSES``)."""
    moves = np.minimum(np.asarray(against, float), MOST_AGAINST) / 10.0
    mine = moves[[guess.track for guess in guesses]]
    context = table[:, [HYPOTHESIS_FEATURES.index(name) for name in _BEHIND]]
    counts = np.broadcast_to([float(rivals == 1), float(rivals == 2)], (len(guesses), 2))
    best = np.where(_LOW_IS_BETTER, context.min(axis=0, initial=np.inf), context.max(axis=0, initial=-np.inf))
    return np.column_stack([mine, mine - moves.min(), counts, context - best])


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
