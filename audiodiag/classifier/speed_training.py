"""Learns the weights of the engine-speed comb from simulated clips.

The comb of ``audiodiag.speed.comb`` scores every (cylinders, speed) pair at every instant; here its weights
are fitted so that the softmax over all pairs, and over the speeds alone where the cylinders are known, gives
the true pair the most probability. The loss is convex; the result is repeatable to the bit on one machine.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.classifier.chooser_training import RowExample, fit_chooser, fit_firings, fit_sum, fit_trust
from audiodiag.classifier.fitting import one_thread
from audiodiag.classifier.workers import mapped
from audiodiag.files import write_bytes_whole
from audiodiag.records import FloatArray
from audiodiag.speed.acoustic import (
    LOCKED_SHARE,
    LOCKED_WITHIN,
    Candidate,
    candidate_tracks,
    choose,
    lines_of,
)
from audiodiag.speed.chooser import Chooser, chooser_to_plain
from audiodiag.speed.comb import (
    CYLINDERS,
    RPM_GRID,
    SCHEMA,
    TEETH,
    CombWeights,
    load_comb_weights,
    load_teeth,
    speed_prior,
    tooth_levels,
)
from audiodiag.speed.firings import FiringModel, firing_model_to_plain, swells
from audiodiag.speed.front import CHANNELS, HOP_S, LOG_STEP, FrontEnd, basebands, front_end
from audiodiag.speed.glides import PACES, glide_spectra, nearest_paces, of_paces
from audiodiag.speed.hypotheses import HYPOTHESIS_FEATURES
from audiodiag.speed.second import SECOND_FEATURES, with_score

__all__ = [
    "SPEED_FILE",
    "CombExamples",
    "cases_from",
    "choose_on_cases",
    "comb_examples",
    "fit_comb",
    "save_comb",
    "tooth_groups",
    "train_speed",
]

SPEED_FILE = "speed.json"
FRAMES_A_CLIP = 8
NO_CHOOSER = Chooser(np.zeros(0), np.ones(0), (), np.array([0.0, 1.0]))
UNHEARD_ODDS = 0.5
"""The odds of a confidence are multiplied by this: a wrong speed spoils all that follows, and a real engine
bay is farther from the simulated ones than these from each other. On 131 other clips of their own the log
loss goes from 0.176 to 0.164 told, from 0.178 to 0.208 untold (DEVELOPERS.md)."""


THIN = 4
"""Of the wrong speeds every fourth is kept in training and counted fourfold."""


@dataclass(frozen=True, eq=False)
class CombExamples:
    """Frames of clips with known speed, over the true speed, its two neighbours and a part of the others.

    levels: shape (frames, speeds, channels * teeth), float16; speeds 0 to 2 are the true one and its
    neighbours. log_prior: prior and thinning of each speed, shape (frames, speeds). cylinders_index: shape
    (frames,).
    """

    levels: FloatArray
    log_prior: FloatArray
    cylinders_index: FloatArray


def comb_examples(
    samples: FloatArray,
    rate_hz: int,
    *,
    time_s: Sequence[float],
    rpm: Sequence[float],
    cylinders: int,
    frames: int,
    rng: np.random.Generator,
) -> CombExamples:
    """Draw frames of one clip at random and compute their tooth levels, each as heard at its true pace."""
    bands = basebands(samples, rate_hz)
    front = front_end(bands, len(samples) / rate_hz)
    true = np.interp(front.time_s, time_s, rpm)
    usable = np.flatnonzero((true > RPM_GRID[1]) & (true < RPM_GRID[-2]))
    pick = np.sort(rng.choice(usable, min(frames, len(usable)), replace=False))
    paces = nearest_paces(np.gradient(np.log(true)) / HOP_S)
    is_own = np.arange(len(PACES))[:, None] == paces[pick]
    heard = of_paces(front, glide_spectra(bands, front, pick, is_own), paces)
    picked = FrontEnd(heard.spectra[:, pick], front.axis_hz, front.time_s[pick], front.energy_db[pick])
    index = np.clip(np.round(np.log(true[pick] / RPM_GRID[0]) / LOG_STEP).astype(int), 1, len(RPM_GRID) - 2)
    others = int(rng.integers(THIN)) + THIN * np.arange(len(RPM_GRID) // THIN)
    others = np.broadcast_to(others, (len(pick), len(others)))
    speeds = np.concatenate([index[:, None], index[:, None] - 1, index[:, None] + 1, others], axis=1)
    log_prior = speed_prior()[speeds]
    log_prior[:, 3:] += np.where(np.abs(others - index[:, None]) <= 1, -50.0, np.log(THIN))
    rows = np.arange(len(pick))[:, None]
    levels = np.empty((*speeds.shape, len(CHANNELS) * len(TEETH)), np.float16)
    for channel in range(len(CHANNELS)):
        for tooth in range(len(TEETH)):
            levels[..., channel * len(TEETH) + tooth] = tooth_levels(picked, channel, tooth)[rows, speeds]
    return CombExamples(levels, log_prior, np.full(len(pick), CYLINDERS.index(cylinders)))


GROUPS = 20


def tooth_groups(cylinders: int) -> FloatArray:
    """Average the teeth by what they mean to an engine, shape (groups, teeth).

    Firing multiples 1, 2, 3, 4, 5-6, 7-8 and higher; odd multiples of half the firing order; other whole
    orders, other half orders and quarter orders, each below and above twice the firing order and above 12.
    Engines with few clips then learn from all the others.
    """
    firing = cylinders / 2.0
    groups = np.zeros((GROUPS, len(TEETH)))
    for tooth, order in enumerate(TEETH):
        ratio = order / firing
        upper = int(order > 2 * firing) + int(order > 12)
        if abs(ratio - round(ratio)) < 1e-9:
            number = round(ratio)
            group = number - 1 if number <= 4 else 4 if number <= 6 else 5 if number <= 8 else 6
        elif abs(2 * ratio - round(2 * ratio)) < 1e-9 and (2 * order) % 1 == 0:
            group = 7 + min(round(ratio - 0.5), 3)
        elif order % 1 == 0:
            group = 11 + upper
        elif (2 * order) % 1 == 0:
            group = 14 + upper
        else:
            group = 17 + upper
        groups[group, tooth] = 1.0
    return groups / np.maximum(groups.sum(axis=1, keepdims=True), 1.0)


def _grouped(cylinders: int) -> FloatArray:
    """The same for all channels, shape (channels * teeth, channels * groups)."""
    groups = tooth_groups(cylinders)
    table = np.zeros((len(CHANNELS) * len(TEETH), len(CHANNELS) * GROUPS))
    for channel in range(len(CHANNELS)):
        rows = slice(channel * len(TEETH), (channel + 1) * len(TEETH))
        table[rows, channel * GROUPS : (channel + 1) * GROUPS] = groups.T
    return table


def _loss(
    weights: FloatArray, levels: FloatArray, log_prior: FloatArray, cylinders: FloatArray
) -> tuple[float, FloatArray]:
    """Joint and conditional softmax loss with its gradient.

    weights: shape (cylinders, features). levels: shape (cylinders, frames, speeds, features).
    """
    total, gradient = 0.0, np.zeros_like(weights)
    count = levels.shape[1]
    for start in range(0, count, 500):
        part = levels[:, start : start + 500]
        numbers, frames, speeds, features = part.shape
        scores = np.stack(
            [(part[n].reshape(-1, features) @ weights[n].astype(np.float32)) for n in range(numbers)], axis=-1
        )
        scores = scores.reshape(frames, speeds, numbers) + log_prior[start : start + 500, :, None]
        rows = np.arange(frames)
        number = cylinders[start : start + 500]
        target = np.zeros_like(scores)
        for speed, share in ((0, 0.6), (1, 0.2), (2, 0.2)):
            target[rows, speed, number] = share
        known = scores[rows, :, number]
        log_joint = scores - np.logaddexp.reduce(scores.reshape(frames, -1), axis=1)[:, None, None]
        log_known = known - np.logaddexp.reduce(known, axis=1)[:, None]
        total -= 0.5 * float(np.sum(target * log_joint)) / count
        total -= 0.5 * float(np.sum(target[rows, :, number] * log_known)) / count
        slope = 0.5 * (np.exp(log_joint) - target)
        slope[rows, :, number] += 0.5 * (np.exp(log_known) - target[rows, :, number])
        for n in range(numbers):
            flat = slope[:, :, n].reshape(-1).astype(np.float32)
            gradient[n] += (part[n].reshape(-1, features).T @ flat) / count
    return total, gradient


def fit_comb(
    examples: Sequence[CombExamples],
    *,
    ridge: float = 1e-3,
    own_ridge: float = 1e-2,
    steps: int = 120,
    progress: Callable[[str, float], None] | None = None,
) -> FloatArray:
    """Fit the comb weights; returns shape (cylinders, channels, teeth).

    examples: one per clip. ridge, own_ridge: pull to zero of the weights that all engines share, and of what
    each number of cylinders adds of its own.
    """
    from scipy.optimize import minimize

    tables = [_grouped(n) for n in CYLINDERS]
    levels = np.stack(
        [
            np.concatenate([e.levels.astype(np.float32) @ table.astype(np.float32) for e in examples])
            for table in tables
        ]
    )
    log_prior = np.concatenate([e.log_prior for e in examples])
    numbers = np.concatenate([e.cylinders_index for e in examples])
    features = levels.shape[3]
    shape = (1 + len(CYLINDERS), features)
    done = 0

    def value(flat: FloatArray) -> tuple[float, FloatArray]:
        nonlocal done
        done += 1
        if progress:
            progress("fitting the speed comb", min(1.0, done / (steps * 1.2)))
        shared, own = flat.reshape(shape)[0], flat.reshape(shape)[1:]
        loss, gradient = _loss(shared + own, levels, log_prior, numbers)
        loss += 0.5 * ridge * float(shared @ shared) + 0.5 * own_ridge * float(np.sum(own**2))
        whole = np.concatenate([(gradient.sum(axis=0) + ridge * shared)[None], gradient + own_ridge * own])
        return loss, whole.ravel()

    found = minimize(value, np.zeros(shape).ravel(), jac=True, method="L-BFGS-B", options={"maxiter": steps})
    fitted = found.x.reshape(shape)
    weights = np.stack([table @ (fitted[0] + own) for table, own in zip(tables, fitted[1:], strict=True)])
    return weights.reshape(len(CYLINDERS), len(CHANNELS), len(TEETH))


def save_comb(
    weights: FloatArray,
    chooser: Chooser,
    path: Path,
    *,
    data: str,
    second: Chooser | None = None,
    firings: FiringModel | None = None,
) -> None:
    """Write all weights of the speed room as plain numbers, schema ``comb.SCHEMA``."""
    stored: dict[str, Any] = {
        "schema": SCHEMA,
        "data": data,
        "teeth": {str(n): np.round(weights[i], 5).tolist() for i, n in enumerate(CYLINDERS)},
        "chooser_features": len(HYPOTHESIS_FEATURES),
        "chooser": chooser_to_plain(chooser),
    }
    if second is not None:
        stored |= {"second_features": len(SECOND_FEATURES), "second": chooser_to_plain(second)}
    if firings is not None:
        stored |= {"firings": firing_model_to_plain(firings)}
    write_bytes_whole(path, json.dumps(stored).encode())


@dataclass(frozen=True, eq=False)
class _Case:
    """One clip tried with what it will be chosen from: its candidates, and how far off each hypothesis is.

    off: share of instants more than 5 % off, for each hypothesis. right: rows of the true hypotheses, the
    last row (none of these) where there is none. told: whether the cylinders were given. bay: which
    simulation it comes from. faster: how many times faster than it was made it is played. loud: whether a
    symptom in it was made loud.
    """

    candidate: Candidate
    off: FloatArray
    right: tuple[int, ...]
    cylinders: int
    told: bool
    bay: str = ""
    faster: float = 1.0
    loud: bool = False

    @property
    def weight(self) -> float:
        """How much it counts: half way between all engines alike and as common as they are on the road."""
        share = CARS_ON_THE_ROAD[self.cylinders] ** 0.5
        share *= 1.0 if self.faster == 1.0 else FASTER_COUNTS
        return LOUD_COUNTS * share if self.loud else share


SPEEDS_LEARNT_FROM = (3, 4, 5, 6, 8)
"""Engines take turns, so that rare numbers of cylinders are learnt from as many clips as common ones."""


BAYS = ("first", "apart", "afresh")
"""The simulations that the speed is learnt from; seeds take turns."""
FASTER_SHARE, FASTEST, FASTER_COUNTS = 0.17, (1.25, 3.0), 0.2
"""So many clips are played so many times faster than they were made, since people who steer seldom let the
engine turn fast, and what is never heard is taken for its half or quarter. In the choice they count little,
lest an idle be taken for a fast engine, and for the confidence nothing."""
LOUD_EVERY, LOUD_FROM, LOUD_COUNTS = 2, 1_350_000, 0.4
"""For every second seed the choice is learnt from one more clip, which counts less, with a symptom as loud as
the engine: it leads the courses astray. Its own seed is this number and half the first one. No hiss: it
needs a wheel that is held at a stop, which not every short clip has. For the confidence they count in
full."""
LOUD_SHARES = {
    "pump_whine": 0.36,
    "cavitation_groan": 0.16,
    "belt_squeal": 0.16,
    "belt_chirp": 0.16,
    "bearing_growl": 0.16,
}
LOUD_DB = (-4.0, 12.0)
"""Power of the loud symptom while it sounds, against the engine's."""


def _clip_of(seed: int, *, loud: bool = False) -> tuple[FloatArray, int, dict[str, Any]]:
    """Simulate the clip of one seed, 6 to 15 s, as its codec leaves it, some of them played faster.

    loud: with one symptom, as loud as the engine.
    """
    samples, rate, truth = _made(seed, loud=loud)
    rng = np.random.default_rng([seed, 2])
    if rng.random() > FASTER_SHARE:
        return samples, rate, truth
    fast = round(rate * float(np.exp(rng.uniform(*np.log(FASTEST)))))
    by = fast / rate
    time_s, rpm = (np.asarray(truth[name], float) for name in ("time_s", "rpm"))
    return samples, fast, {**truth, "time_s": time_s / by, "rpm": rpm * by, "faster": by}


def _loud_symptom(seed: int) -> tuple[str, float]:
    """Draw the symptom of a loud clip and its level in decibels against the engine."""
    rng = np.random.default_rng([seed, 3])
    name = str(rng.choice(list(LOUD_SHARES), p=list(LOUD_SHARES.values())))
    return name, float(np.round(rng.uniform(*LOUD_DB), 1))


def _made(seed: int, *, loud: bool = False) -> tuple[FloatArray, int, dict[str, Any]]:
    """Simulate the clip of one seed in one of ``BAYS``."""
    from audiodiag.simulation import BaySettings, simulate, through_codec
    from audiodiag.simulation.afresh import simulate_afresh
    from audiodiag.simulation.apart import simulate_apart

    length = float(np.round(np.random.default_rng(seed).uniform(6, 15), 1))
    number = SPEEDS_LEARNT_FROM[seed // len(BAYS) % len(SPEEDS_LEARNT_FROM)]
    bay = BAYS[seed % len(BAYS)]
    fixed: dict[str, Any] = {"duration_s": length, "cylinders": number}
    if loud:
        name, level = _loud_symptom(seed)
        fixed |= {"symptoms": (name,), "levels_db": {name: level}}
    if bay != "first":
        simulated = simulate_apart if bay == "apart" else simulate_afresh
        other = simulated(seed, **fixed)
        return other.samples, other.sample_rate_hz, other.truth
    made = simulate(seed, settings=BaySettings(**fixed))
    samples, codec = made.samples, made.truth["codec"]
    if codec not in ("wav", "flac"):
        samples = through_codec(samples, made.sample_rate_hz, codec, made.truth["bit_rate"])
    return np.clip(samples, -1.0, 1.0), made.sample_rate_hz, made.truth


def _examples_of(seed: int) -> CombExamples:
    samples, rate, truth = _clip_of(seed)
    return comb_examples(
        samples,
        rate,
        time_s=truth["time_s"],
        rpm=truth["rpm"],
        cylinders=truth["cylinders"],
        frames=FRAMES_A_CLIP,
        rng=np.random.default_rng([seed, 1]),
    )


def cases_from(
    samples: FloatArray,
    rate: int,
    truth: dict[str, Any],
    weights: CombWeights,
    *,
    bay: str = "",
    loud: bool = False,
) -> tuple[_Case, _Case]:
    """Find the candidates of one clip, with its cylinders told and without.

    bay: names the simulation. loud: a symptom in it was made loud.
    """
    bands = basebands(samples, rate)
    front = front_end(bands, len(samples) / rate)
    true = np.interp(front.time_s, truth["time_s"], truth["rpm"])
    cases = []
    for numbers in ((truth["cylinders"],), CYLINDERS):
        sound = swells(samples, rate) if len(numbers) > 1 else None
        found = candidate_tracks(bands, front, weights, cylinders=numbers, sound=sound)
        off = np.array(
            [
                np.mean(np.abs(found.tracks[h.track].rpm * h.factor / true - 1) > LOCKED_WITHIN)
                for h in found.hypotheses
            ]
        )
        right = tuple(
            i
            for i, h in enumerate(found.hypotheses)
            if h.cylinders == truth["cylinders"] and off[i] < LOCKED_SHARE
        )
        nothing = (len(found.hypotheses),)
        known = len(numbers) == 1
        by = truth.get("faster", 1.0)
        cases.append(_Case(found, off, right or nothing, truth["cylinders"], known, bay, by, loud))
    return cases[0], cases[1]


def _cases_of(job: tuple[int, bool, CombWeights]) -> tuple[_Case, _Case]:
    seed, loud, weights = job
    return cases_from(*_clip_of(seed, loud=loud), weights, bay=BAYS[seed % len(BAYS)], loud=loud)


def _loud_seeds(seeds: Sequence[int]) -> list[int]:
    """Give the seeds of the loud clips that are learnt from besides.

    >>> _loud_seeds(range(100_000, 100_005))
    [1400000, 1400001, 1400002]
    """
    return [LOUD_FROM + seed // LOUD_EVERY for seed in seeds if seed % LOUD_EVERY == 0]


def choose_on_cases(
    cases: Sequence[_Case], *, folds: int = 4
) -> tuple[Chooser, Chooser, FiringModel | None, str]:
    """Fit the choosing models on all cases, and their trust on bays that none of them heard.

    Returns the chooser, the second opinion for unknown cylinders, the model of firings (None where no clip
    can be learnt from), and how they did on the bays not heard, in words. A real engine bay is unlike all
    simulated ones, so this is what their confidence must be worth.
    """
    scores = _unseen_scores(cases, folds)
    rows = [None if case.told else _row_example(case) for case in cases]
    chosen: dict[bool, list[float]] = {True: [], False: []}
    right: dict[bool, list[bool]] = {True: [], False: []}
    for bay in sorted({case.bay for case in cases}):
        others = [i for i, case in enumerate(cases) if case.bay != bay] or list(range(len(cases)))
        chooser = _fitted([cases[i] for i in others])
        second, firings = _for_unknown(
            [cases[i] for i in others], [scores[i] for i in others], [rows[i] for i in others]
        )
        here = [case for case in cases if case.bay == bay]
        for case in [case for case in here if case.faster == 1.0] or here:
            weights = CombWeights({}, speed_prior(), chooser)
            if not case.told:
                weights = replace(weights, second=second, firings=firings)
            choice = choose(case.candidate, weights)
            off = case.off[case.candidate.hypotheses.index(choice.hypothesis)]
            chosen[case.told].append(choice.probability)
            right[case.told].append(bool(off < LOCKED_SHARE))
    second, firings = _for_unknown(cases, scores, rows)
    less = np.array([np.log(UNHEARD_ODDS), 0.0])
    words = (
        f"on bays not heard, loud clips too, locked with cylinders told: {np.mean(right[True]):.3f}, "
        f"unknown: {np.mean(right[False]):.3f}"
    )
    return (
        replace(_fitted(cases), trust=less + fit_trust(chosen[True], right[True])),
        replace(second, trust=less + fit_trust(chosen[False], right[False])),
        firings,
        words,
    )


def _unseen_scores(cases: Sequence[_Case], folds: int) -> list[FloatArray]:
    """Score the rows of each case by a chooser that did not see its clip; told and untold stand together."""
    scores: list[FloatArray] = [np.zeros(0)] * len(cases)
    for fold in range(folds):
        seen = [c for i, c in enumerate(cases) if i // 2 % folds != fold] or list(cases)
        chooser = _fitted(seen)
        for i, case in enumerate(cases):
            if i // 2 % folds == fold:
                scores[i] = chooser.scores(case.candidate.features)
    return scores


def _for_unknown(
    cases: Sequence[_Case], scores: Sequence[FloatArray], rows: Sequence[RowExample | None]
) -> tuple[Chooser, FiringModel | None]:
    """Fit the second opinion and the model of firings on those of the cases whose cylinders are not told.

    scores: what a chooser that did not see the clip gives to the readings of each case. rows: its rows of
    firings, None where there are none to be seen.
    """
    pairs = [(case, score) for case, score in zip(cases, scores, strict=True) if not case.told]
    second = fit_sum(
        [with_score(_second_of(case.candidate), score) for case, score in pairs],
        [case.right for case, _ in pairs],
        [case.weight for case, _ in pairs],
    )
    heard = [example for example in rows if example is not None]
    return second, fit_firings(heard) if heard else None


def _row_example(case: _Case) -> RowExample | None:
    """Look at the rows of the true firings; None where no reading is right or no rows are to be seen."""
    place = case.right[0]
    lines = lines_of(case.candidate, place) if place < len(case.off) else None
    if lines is None:
        return None
    return RowExample(lines, case.cylinders, case.weight)


def _second_of(candidate: Candidate) -> FloatArray:
    if candidate.second is None:
        raise ValueError("the second opinion is for unknown cylinders")
    return candidate.second


CARS_ON_THE_ROAD = {3: 0.12, 4: 0.55, 5: 0.08, 6: 0.17, 8: 0.08}
"""Share of the engines among cars with hydraulic power steering: assumed, no published source."""


def _fitted(cases: Sequence[_Case]) -> Chooser:
    """Fit the chooser on some cases, each by its weight."""
    return fit_chooser(
        [c.candidate.features for c in cases],
        [c.right for c in cases],
        [c.weight for c in cases],
    )


def _comb_learnt(seeds: Sequence[int], workers: int, say: Callable[[str], None]) -> FloatArray:
    """Learn the comb's teeth, shape (cylinders, channels, teeth)."""
    with mapped(_examples_of, list(seeds), workers=workers) as made:
        examples = []
        for number, each in enumerate(made, 1):
            examples.append(each)
            say(f"speed: listened to {number} of {len(seeds)} simulated clips")
    with one_thread():
        return fit_comb(examples, steps=80, progress=lambda words, share: say(f"{words}: {share:.0%}"))


def train_speed(
    seeds: Sequence[int],
    *,
    out: Path,
    workers: int = 1,
    keep_comb: bool = False,
    tell: Callable[[str], None] | None = None,
) -> Path:
    """Learn the speed room's weights from simulated clips and write ``speed.json`` into ``out``.

    seeds: one clip each. keep_comb: the comb stays as shipped, only the choice between readings is learnt.
    The result does not depend on ``workers``.
    """
    say = tell or (lambda words: None)
    if keep_comb:
        shipped = load_teeth()
        teeth = np.stack([shipped[n] for n in CYLINDERS])
    else:
        teeth = _comb_learnt(seeds, workers, say)
    table = {n: np.round(teeth[i], 5) for i, n in enumerate(CYLINDERS)}
    weights = CombWeights(table, speed_prior(), NO_CHOOSER)
    louder = _loud_seeds(seeds)
    jobs = [(seed, False, weights) for seed in seeds] + [(seed, True, weights) for seed in louder]
    cases: list[_Case] = []
    with mapped(_cases_of, jobs, workers=workers) as pairs:
        for number, pair in enumerate(pairs, 1):
            cases += pair
            say(f"speed: followed {number} of {len(jobs)} simulated clips")
    with one_thread():
        chooser, second, firings, words = choose_on_cases(cases)
    say(f"speed: {words}")
    data = f"{len(seeds)} simulated clips, seeds {min(seeds)} to {max(seeds)}"
    if louder:
        data += f", and {len(louder)} with a loud symptom, seeds {min(louder)} to {max(louder)}"
    data += f"; {words}"
    data += "; comb as shipped before" if keep_comb else ""
    save_comb(teeth, chooser, out / SPEED_FILE, data=data, second=second, firings=firings)
    load_comb_weights.cache_clear()
    return out / SPEED_FILE
