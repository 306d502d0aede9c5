"""Engine speed by ear: from the sound alone, with a band and a confidence, or "unknown".

Four steps: whitened spectra of the low band and of the modulation of the higher bands (``front``); a learned
comb that scores every speed, followed over time (``comb``, ``tracking``); a refinement on the straightened
signal (``refine``); and the choice between half, double and other numbers of cylinders (``hypotheses``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from audiodiag.records import Clip, FloatArray, Note, SpeedAlternative, SpeedTrace, read_only
from audiodiag.speed.comb import CYLINDERS, RPM_GRID, CombWeights, comb_scores, load_comb_weights
from audiodiag.speed.front import HOP_S, Baseband, FrontEnd, basebands, front_end
from audiodiag.speed.hypotheses import Hypothesis, describe, hypotheses
from audiodiag.speed.refine import RefinedTrack, long_order_levels, refine
from audiodiag.speed.tracking import best_path, forward_backward, step_law
from audiodiag.vehicle import Vehicle

__all__ = ["Candidate", "Choice", "candidate_track", "choose", "lock_features", "no_speed", "speed_by_ear"]

TEMPER = 0.8
"""Share of the comb score that counts in each frame when a path is drawn."""
EVIDENCE_TEMPER = 0.4
"""The same when frames are added up as evidence: neighbouring frames share most of their sound."""
TRACK_LAW = step_law(narrow=1.0, wide=15.0, wide_share=0.2, reach=40)
RESIDUAL_LAW = step_law(narrow=1.0, wide=8.0, wide_share=0.15, reach=30)
STRAIGHTENINGS = 2


@dataclass(frozen=True, eq=False)
class Candidate:
    """A refined track, not yet decided between its multiples, with what is needed to decide.

    hypotheses and features: one row a hypothesis. ``sharpness``: mean posterior probability near the path.
    """

    track: RefinedTrack
    hypotheses: tuple[Hypothesis, ...]
    features: FloatArray
    sharpness: FloatArray


def _tracked(
    front: FrontEnd, weights: CombWeights, prior: FloatArray, cylinders: tuple[int, ...]
) -> tuple[FloatArray, float, int]:
    """Score each number of cylinders; give the scores, evidence and number of the most probable."""
    best: tuple[FloatArray, float, int] | None = None
    for number in cylinders:
        scores = comb_scores(front, weights, number) + prior
        single = len(cylinders) == 1
        evidence = 0.0 if single else forward_backward(scores * EVIDENCE_TEMPER, TRACK_LAW).log_evidence
        if best is None or evidence > best[1]:
            best = (scores * TEMPER, evidence, number)
    assert best is not None
    return best


def _straightened(
    bands: tuple[Baseband, ...],
    time_s: FloatArray,
    rpm: FloatArray,
    weights: CombWeights,
    prior: FloatArray,
    cylinders: int,
) -> tuple[FloatArray, FloatArray]:
    """Track again on the clip played at constant speed, as far as the present track knows it.

    Where the track is right the lines stand still and long windows see them sharp, also through a blip; where
    it is wrong the new path says by how much. Returns the new track and, at each time, the posterior
    probability that the speed lies within some 2.5 % of it.
    """
    smooth = np.exp(gaussian_filter1d(np.log(rpm), 1.5, mode="nearest"))
    reference = float(np.median(smooth))
    at = np.arange(len(bands[0].samples)) / bands[0].rate_hz
    pace = np.interp(at, time_s, smooth) / reference
    played = np.concatenate([[0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]))]) / bands[0].rate_hz
    count = int(played[-1] * bands[0].rate_hz)
    when = np.interp(np.arange(count) / bands[0].rate_hz, played, at)
    place = [when * bands[0].rate_hz]
    even = tuple(
        Baseband(map_coordinates(b.samples, place, order=1, mode="nearest").astype(np.float32), b.rate_hz)
        for b in bands
    )
    front = front_end(even, played[-1])
    frame_time = np.interp(front.time_s, played, at)
    log_grid = np.log(RPM_GRID)
    offset = np.log(np.interp(frame_time, time_s, smooth) / reference)
    true_prior = np.interp(log_grid[None, :] + offset[:, None], log_grid, prior)
    scores = (comb_scores(front, weights, cylinders) + true_prior) * TEMPER
    path = best_path(scores, RESIDUAL_LAW)
    posterior = forward_backward(scores, RESIDUAL_LAW).posterior
    rows = np.arange(len(path))
    near = np.sum([posterior[rows, np.clip(path + k, 0, len(RPM_GRID) - 1)] for k in range(-4, 5)], axis=0)
    ratio = np.interp(time_s, frame_time, RPM_GRID[path] / reference)
    return smooth * ratio, np.interp(time_s, frame_time, near)


def candidate_track(
    bands: tuple[Baseband, ...],
    front: FrontEnd,
    weights: CombWeights,
    *,
    cylinders: tuple[int, ...],
    prior: FloatArray | None = None,
) -> Candidate:
    """Find the track that explains the clip best and describe its alternatives.

    cylinders: the numbers to consider. prior: log prior over ``RPM_GRID``, else that of the weights.
    """
    prior = weights.prior if prior is None else prior
    scores, _, number = _tracked(front, weights, prior, cylinders)
    rough = RPM_GRID[best_path(scores, TRACK_LAW)]
    near: FloatArray = np.ones(len(rough))
    for _ in range(STRAIGHTENINGS):
        rough, near = _straightened(bands, front.time_s, rough, weights, prior, number)
    envelope = _summed(bands[1:])
    signals = (bands[0],) if envelope is None else (bands[0], envelope)
    track = refine(signals, front.time_s, rough)
    low_levels = long_order_levels(bands[0], track.time_s, track.rpm)
    env_levels = low_levels * 0 if envelope is None else long_order_levels(envelope, track.time_s, track.rpm)
    median = float(np.median(track.rpm))
    guesses = hypotheses(median, cylinders)
    features = np.array(
        [
            describe(
                low_levels,
                env_levels,
                guess,
                median_rpm=median,
                log_prior=float(np.interp(np.log(guess.factor * median), np.log(RPM_GRID), prior)),
            )
            for guess in guesses
        ]
    )
    return Candidate(track, guesses, features, near)


def _summed(envelopes: tuple[Baseband, ...]) -> Baseband | None:
    if not envelopes:
        return None
    total = np.sum([e.samples / (np.std(e.samples) + 1e-9) for e in envelopes], axis=0)
    return Baseband(total.astype(np.float32), envelopes[0].rate_hz)


@dataclass(frozen=True)
class Choice:
    """The reading that was chosen: factor on the track, cylinders, and how probable each is."""

    factor: float
    cylinders: int
    probability: float
    cylinders_probability: float
    alternatives: tuple[SpeedAlternative, ...]


def choose(candidate: Candidate, weights: CombWeights) -> Choice:
    """Decide between the hypotheses: the most probable speed, then the most probable cylinders for it."""
    centre, scale, slope = weights.hypotheses
    score = ((candidate.features - centre) / scale) @ slope
    probability = np.exp(score - np.logaddexp.reduce(score))
    factors = np.array([h.factor for h in candidate.hypotheses])
    totals = {f: float(probability[factors == f].sum()) for f in set(factors.tolist())}
    factor = max(totals, key=lambda f: totals[f])
    here = [i for i in range(len(factors)) if factors[i] == factor]
    best = max(here, key=lambda i: float(probability[i]))
    ranked = sorted(range(len(factors)), key=lambda i: -float(probability[i]))
    alternatives = tuple(
        SpeedAlternative(
            candidate.hypotheses[i].factor / factor,
            candidate.hypotheses[i].cylinders,
            float(probability[i]),
        )
        for i in ranked[:6]
        if probability[i] >= 0.01 and i != best
    )
    return Choice(
        factor,
        candidate.hypotheses[best].cylinders,
        totals[factor],
        float(probability[best]) / max(totals[factor], 1e-12),
        alternatives,
    )


def lock_features(candidate: Candidate, choice: Choice) -> FloatArray:
    """Give the numbers that the lock confidence is computed from, a leading 1 for the bias."""
    track = candidate.track
    row = candidate.features[
        next(
            i
            for i, h in enumerate(candidate.hypotheses)
            if h.factor == choice.factor and h.cylinders == choice.cylinders
        )
    ]
    return np.array(
        [
            1.0,
            np.log(choice.probability + 0.01) - np.log(1.01 - choice.probability),
            float(np.mean(candidate.sharpness)),
            float(np.mean(candidate.sharpness > 0.5)),
            np.log(float(np.median(track.sd_rpm / track.rpm)) + 1e-5),
            row[9],
            row[22],
            float(np.mean(np.abs(np.diff(np.log(track.rpm))) > 0.02)),
        ]
    )


def _prior_of(vehicle: Vehicle | None, weights: CombWeights) -> FloatArray:
    """Log prior over the grid, with the idle range of the vehicle file where it is stated."""
    if vehicle is None or vehicle.idle_low_rpm is None or vehicle.idle_high_rpm is None:
        return weights.prior
    middle = np.log(np.sqrt(vehicle.idle_low_rpm * vehicle.idle_high_rpm))
    width = 0.5 * np.log(vehicle.idle_high_rpm / vehicle.idle_low_rpm) + 0.03
    idle = np.exp(-0.5 * ((np.log(RPM_GRID) - middle) / width) ** 2)
    below = np.log(RPM_GRID) < np.log(vehicle.idle_low_rpm) - 0.15
    return np.logaddexp(weights.prior - 1.0, np.log(idle + 1e-9) + 1.0) - 3.0 * below


def no_speed(duration_s: float, text: str) -> SpeedTrace:
    """Give the trace of a clip without a usable engine speed."""
    time_s = np.arange(0.0, duration_s, HOP_S)
    unknown = read_only(np.full(len(time_s), np.nan))
    zero = read_only(np.zeros(len(time_s)))
    note = Note("speed_unknown", text)
    return SpeedTrace("none", 0.0, read_only(time_s), unknown, unknown, unknown, zero, notes=(note,))


def speed_by_ear(
    clip: Clip, *, vehicle: Vehicle | None = None, weights: CombWeights | None = None
) -> SpeedTrace:
    """Find the engine speed in the sound alone.

    Answers with speed, 90 % band and confidence every ``HOP_S`` seconds; the band is that of the posterior of
    the refinement and says nothing of half or double, which ``confidence`` and ``alternatives`` do. Where the
    number of cylinders is not known it is estimated jointly, and the other readings are reported with their
    probabilities.
    """
    weights = weights or load_comb_weights()
    duration = clip.duration_s
    bands = basebands(clip.samples, clip.sample_rate_hz)
    front = front_end(bands, duration)
    told = vehicle.cylinders if vehicle else None
    # A number of cylinders that the comb was never taught (2, 10, 12) leaves the choice open.
    numbers = (told,) if told in CYLINDERS else CYLINDERS
    prior = _prior_of(vehicle, weights)
    if not np.any(front.energy_db > -95.0):
        return no_speed(duration, "No sound in which an engine could be heard.")
    candidate = candidate_track(bands, front, weights, cylinders=numbers, prior=prior)
    choice = choose(candidate, weights)
    track = candidate.track
    if choice.factor != 1.0:
        track = refine((bands[0],), track.time_s, track.rpm * choice.factor)
    score = float(lock_features(candidate, choice) @ weights.confidence)
    confidence = 1.0 / (1.0 + np.exp(-score))
    return _trace(front, candidate, choice, track, confidence, told)


def _trace(
    front: FrontEnd,
    candidate: Candidate,
    choice: Choice,
    track: RefinedTrack,
    confidence: float,
    told: int | None,
) -> SpeedTrace:
    known = _engine_runs(front, candidate.sharpness)
    rpm = np.where(known, track.rpm, np.nan)
    half = 1.645 * track.sd_rpm
    notes: list[Note] = []
    if not known.all():
        notes.append(Note("speed_gaps", "For parts of the clip no engine speed can be heard.", (), "info"))
    number: int | None = told if told in CYLINDERS else choice.cylinders
    sure = told is not None or choice.cylinders_probability >= 0.7
    ambiguous = tuple(a for a in choice.alternatives if a.probability >= 0.05)
    if told is None and (ambiguous or not sure):
        listed = "; ".join(
            f"{a.factor:.3g} times this speed with {a.cylinders} cylinders ({100 * a.probability:.0f} %)"
            for a in ambiguous[:3]
        )
        notes.append(
            Note(
                "cylinders_ambiguous",
                f"The number of cylinders was not given and cannot be told with certainty; "
                f"also possible: {listed or 'another number at the same speed'}.",
            )
        )
    return SpeedTrace(
        source="acoustic",
        confidence=confidence,
        time_s=read_only(track.time_s),
        rpm=read_only(rpm),
        rpm_low=read_only(rpm - half),
        rpm_high=read_only(rpm + half),
        instant_confidence=read_only(np.clip(candidate.sharpness, 0, 1) * confidence),
        cylinders=number if sure else None,
        cylinders_source="entered" if told is not None else ("heard" if sure else "unknown"),
        alternatives=choice.alternatives,
        notes=tuple(notes),
    )


def _engine_runs(front: FrontEnd, sharpness: FloatArray) -> NDArray[np.bool_]:
    """Where an engine can be heard: not far below the clip's usual level with a blurred comb (shape (n,))."""
    level = front.energy_db - np.median(front.energy_db)
    return ~((level < -22.0) & (sharpness < 0.5))
