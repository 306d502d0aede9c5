"""Engine speed by ear: from the sound alone, with a band and a confidence, or "unknown".

Four steps: whitened spectra of the low band and of the modulation of the higher bands (``front``); a learned
comb that scores every speed, followed over time by all of the sound and by its parts alone (``comb``,
``tracking``, ``glides``); a refinement on the straightened signal (``refine``); and the choice between these
courses, half, double and other numbers of cylinders (``hypotheses``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from audiodiag.records import Clip, FloatArray, Note, Span, SpeedAlternative, SpeedTrace, read_only
from audiodiag.speed.below import doubt, lines_below
from audiodiag.speed.comb import CYLINDERS, RPM_GRID, CombWeights, comb_scores, load_comb_weights
from audiodiag.speed.firings import FiringModel, Swells, row_lines, swells
from audiodiag.speed.front import CHANNELS, HOP_S, Baseband, FrontEnd, basebands, between, front_end
from audiodiag.speed.glides import (
    STILL,
    GlideSpectra,
    follow_glides,
    glide_spectra,
    likely_paces,
    moving_frames,
    of_paces,
)
from audiodiag.speed.hypotheses import (
    FINE_REVS,
    Hypothesis,
    TrackView,
    comb_agreement,
    describe,
    hypotheses,
    is_multiple,
)
from audiodiag.speed.mean_cycle import follow_cycles
from audiodiag.speed.moves import contradiction, measured_moves
from audiodiag.speed.refine import (
    RefinedTrack,
    angle_times,
    long_order_levels,
    refine,
    self_likeness,
    steadied,
    straighten_clean,
)
from audiodiag.speed.running import joined, running_spans
from audiodiag.speed.second import mean_of_opinions, second_features, with_score
from audiodiag.speed.tracking import best_path, forward_backward, log_evidence, step_law
from audiodiag.vehicle import Vehicle

__all__ = [
    "LOCKED_SHARE", "LOCKED_WITHIN", "Candidate", "Choice", "candidate_tracks", "choose", "course_notes",
    "lines_of", "no_speed", "readings", "speed_by_ear",
]  # fmt: skip

TEMPER = 0.8
"""Share of the comb score that counts in each frame when a path is drawn."""
EVIDENCE_TEMPER = 0.4
"""The same when frames are added up as evidence: neighbouring frames share most of their sound."""
TRACK_LAW = step_law(narrow=1.0, wide=15.0, wide_share=0.2, reach=40)
RESIDUAL_LAW = step_law(narrow=1.0, wide=8.0, wide_share=0.15, reach=30)
EVERY_SPEED = 0.008
"""Share of the likeliest speed's prior that every speed has at least: the prior says something of a clip, and
counts in each of its frames. Without it a run-up to 4,800 rpm was lost to the half and the quarter of it."""
IDLES_RPM, IDLES_PRIOR = (480.0, 1000.0), 0.3
"""Between these speeds no idle is likelier than another while a course is sought (log prior, up to an offset
that is that of the weights, whose greatest is 0.1; by simulation): counted in every frame, what clips are
like read a slow idle an octave up where all else left it open."""
ALONE_COUNTS = 1.4
"""What the teeth count where the low sound or the envelopes are asked alone."""
STRAIGHTENINGS = 1
STILL_SMOOTHING = 1.5
"""Frames over which a rough track is smoothed where it does not glide."""
SECOND_LOOK_RPM = 1500.0
UNTAUGHT_CONFIDENCE = 0.3
"""Highest confidence for an engine whose number of cylinders the comb was never taught (an assumption)."""
SAME_SPEED = 0.02
"""Two readings closer than this share are one speed."""
LOCKED_WITHIN, LOCKED_SHARE = 0.05, 0.1
"""A course is locked on another where less than this share of its instants is more than 5 % off it."""
OPEN_COURSE = 0.05
"""From this probability on another course of the same usual speed is told of."""
LEAST_REPORTED, MOST_REPORTED = 0.002, 10
"""Other readings are reported from this probability on, and no more than so many."""
LEAST_WEIGHED, MOST_WEIGHED = 0.05, 3
"""Firing rates whose rows are looked at: from this probability on, and no more than so many."""
SOUND_LATE_S = 0.004
"""By so much later than the engine turns is it heard: its way through the air and its ringing (by simulation;
343 m/s make 1.4 m of it)."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """Refined tracks, not yet decided between them and their multiples, with what is needed to decide.

    hypotheses: what is to be decided between. features: one row a hypothesis and a last one for none of
    them, from ``describe``. sharpness: for each track and instant, the posterior
    probability that the speed lies near the track, shape (frames,) each. second: the rows of
    ``second_features`` where several numbers of cylinders are considered. sound, low: what the rows of
    firings are taken from, where they are to be looked at.
    """

    tracks: tuple[RefinedTrack, ...]
    hypotheses: tuple[Hypothesis, ...]
    features: FloatArray
    sharpness: tuple[FloatArray, ...]
    second: FloatArray | None = None
    sound: Swells | None = None
    low: Baseband | None = None


def _number(scores: Mapping[int, FloatArray], prior: FloatArray, moves: FloatArray) -> int:
    """Give the most probable number of cylinders by the evidence of their scores."""
    numbers = list(scores)
    if len(numbers) > 1:
        tables = np.stack([scores[n] + prior for n in numbers]) * EVIDENCE_TEMPER
        evidence = dict(zip(numbers, log_evidence(tables, TRACK_LAW, moves), strict=True))
        numbers.sort(key=lambda n: -evidence[n])
    return numbers[0]


def _gliding(front: FrontEnd, glides: GlideSpectra, weights: CombWeights, number: int) -> FloatArray:
    """Score the frames that move at every pace that is open, shape (open ones, grid)."""
    of = glides.frames[np.nonzero(glides.is_open)[1]]
    heard = FrontEnd(glides.spectra, front.axis_hz, front.time_s[of], front.energy_db[of])
    return comb_scores(heard, weights, (number,))[number]


def _heard_along(
    still: Mapping[int, FloatArray],
    front: FrontEnd,
    glides: GlideSpectra,
    paces: NDArray[np.intp],
    weights: CombWeights,
) -> dict[int, FloatArray]:
    """Score every frame at the pace of a path; still: the scores at the pace 0, for each number of cylinders.

    paces: indices of ``PACES``, shape (frames,). Only frames that glide are scored anew.
    """
    own = of_paces(front, glides, paces)
    glide = np.flatnonzero(paces != STILL)
    if not len(glide):
        return dict(still)
    part = FrontEnd(own.spectra[:, glide], own.axis_hz, own.time_s[glide], own.energy_db[glide])
    found = {number: table.copy() for number, table in still.items()}
    for number, table in comb_scores(part, weights, tuple(still)).items():
        found[number][glide] = table
    return found


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
    smooth = steadied(rpm, STILL_SMOOTHING)
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
    scores = (comb_scores(front, weights, (cylinders,))[cylinders] + true_prior) * TEMPER
    moves = measured_moves(front.spectra, RESIDUAL_LAW)
    path = best_path(scores, RESIDUAL_LAW, moves)
    posterior = forward_backward(scores, RESIDUAL_LAW, moves).posterior
    rows = np.arange(len(path))
    near = np.sum([posterior[rows, np.clip(path + k, 0, len(RPM_GRID) - 1)] for k in range(-4, 5)], axis=0)
    ratio = np.interp(time_s, frame_time, RPM_GRID[path] / reference)
    return smooth * ratio, np.interp(time_s, frame_time, near)


@dataclass(frozen=True, eq=False)
class _Heard:
    """A track, how sharp its comb is at each instant, and what the whole clip shows, straightened by it."""

    track: RefinedTrack
    near: FloatArray
    view: TrackView


@dataclass(frozen=True, eq=False)
class _Ear:
    """What every track of a clip is sought in.

    prior: log prior over ``RPM_GRID`` for the choice. course: the same for a path. combs: the scores, for
    each number of cylinders. number: the cylinders that tracks are sought for. signals: the low band and the
    envelopes together.
    """

    bands: tuple[Baseband, ...]
    signals: tuple[Baseband, ...]
    front: FrontEnd
    weights: CombWeights
    prior: FloatArray
    course: FloatArray
    combs: Mapping[int, FloatArray]
    number: int
    moving: NDArray[np.intp]
    open_paces: NDArray[np.bool_]
    glides: GlideSpectra

    def paths(
        self, scores: FloatArray, gliding: FloatArray, limit: FloatArray
    ) -> list[tuple[FloatArray, NDArray[np.intp]]]:
        """Follow speed and paces by tables of scores and of those of frames that glide.

        scores: shape (tables, frames, grid). gliding: shape (tables, open ones, grid). One pair of speeds in
        rpm and paces for each table.
        """
        course = np.asarray(self.course + limit, np.float32)
        paths, paces = follow_glides(
            scores + course, gliding + course, self.moving, self.open_paces, temper=TEMPER
        )
        return list(zip(RPM_GRID[paths], paces, strict=True))

    def heard(
        self, weights: CombWeights, rough: FloatArray, paces: NDArray[np.intp], limit: FloatArray
    ) -> _Heard:
        """Straighten and refine a path, and look at the clip along it."""
        along = _heard_along(self.combs, self.front, self.glides, paces, self.weights)
        near: FloatArray = np.ones(len(rough))
        for _ in range(STRAIGHTENINGS):
            rough, near = _straightened(
                self.bands, self.front.time_s, rough, weights, self.course + limit, self.number
            )
        track = refine(self.signals, self.front.time_s, rough)
        return _Heard(track, near, _view(self.signals, track, near, along, self.prior))

    def tracks(self) -> tuple[list[_Heard], int]:
        """Find the track that explains the clip best and its rivals; how many of these a part alone tells of.

        Where the track lies high, one that lies lower. And those that the low sound alone and the envelopes
        alone explain best, where others: a pump's tones that are louder than the firings, or beats that are
        no engine's, then lead one of them.
        """
        number, anywhere = self.number, np.zeros(len(RPM_GRID))
        low, swelling = (_only(self.weights, part) for part in ("low", "envelope"))
        still = _and_its_parts(self.combs[number], comb_scores(self.front, low, (number,))[number])
        gliding = _and_its_parts(
            _gliding(self.front, self.glides, self.weights, number),
            _gliding(self.front, self.glides, low, number),
        )
        first, *parts = self.paths(still, gliding, anywhere)
        found = [self.heard(self.weights, *first, anywhere)]
        median = found[0].view.median_rpm
        if median >= SECOND_LOOK_RPM:
            limit = -60.0 * (min(SECOND_LOOK_RPM, 0.8 * median) < RPM_GRID)
            (lower,) = self.paths(still[:1], gliding[:1], limit)
            found.append(self.heard(self.weights, *lower, limit))
        rivals = 0
        for weights, (rough, paces) in zip((low, swelling), parts, strict=True):
            before = [each.track.rpm for each in found]
            if is_multiple(rough, before):
                continue
            other = self.heard(weights, rough, paces, anywhere)
            # What was rough may have been drawn to a course that is there already.
            if not is_multiple(other.track.rpm, before):
                found.append(other)
                rivals += 1
        return found, rivals


def _and_its_parts(whole: FloatArray, low: FloatArray) -> FloatArray:
    """Stack scores by all of the sound, by the low sound alone and by the rest, the envelopes, alone.

    low: scores by ``_only`` the low sound. A score is a sum over the channels, so the rest is what is left.
    """
    return np.stack([whole, low, ALONE_COUNTS * whole - low])


def _only(weights: CombWeights, part: str) -> CombWeights:
    """Leave only the channels of the low sound or of the envelopes to the comb."""
    counts = np.array([[ALONE_COUNTS * (part in channel)] for channel in CHANNELS])
    return replace(weights, teeth={number: table * counts for number, table in weights.teeth.items()})


def candidate_tracks(
    bands: tuple[Baseband, ...],
    front: FrontEnd,
    weights: CombWeights,
    *,
    cylinders: tuple[int, ...],
    prior: FloatArray | None = None,
    sound: Swells | None = None,
) -> Candidate:
    """Find the track that explains the clip best, its rivals, and all alternatives.

    cylinders: the numbers to consider. prior: log prior over ``RPM_GRID`` where the idle is stated; None:
    that of the weights, and for the courses even over ``IDLES_RPM``. A loud pump can draw the comb to its own
    spacing, at a multiple of the engine's speed; so a track above ``SECOND_LOOK_RPM`` gets a rival that must
    lie below it, and the low sound and the envelopes are asked alone too. sound: the swells of the clip, for
    the choice between several numbers of cylinders.
    """
    stated = prior is not None
    prior = np.logaddexp(weights.prior if prior is None else prior, np.log(EVERY_SPEED))
    slowest, fastest = IDLES_RPM
    idles = (slowest < RPM_GRID) & (fastest > RPM_GRID)
    course = prior if stated else np.where(idles, IDLES_PRIOR, prior)
    combs = comb_scores(front, weights, cylinders)
    moves = measured_moves(front.spectra, TRACK_LAW)
    envelope = _summed(bands[1:])
    moving = moving_frames(moves)
    open_paces = likely_paces(moves, moving)
    ear = _Ear(
        bands,
        (bands[0],) if envelope is None else (bands[0], envelope),
        front,
        weights,
        prior,
        course,
        combs,
        _number(combs, course, moves),
        moving,
        open_paces,
        glide_spectra(bands, front, moving, open_paces),
    )
    heard, rivals = ear.tracks()
    tracks, views = tuple(each.track for each in heard), tuple(each.view for each in heard)
    guesses = hypotheses(tuple(track.rpm for track in tracks), cylinders)
    features = describe(
        views,
        guesses,
        prior=prior,
        duration_s=len(bands[0].samples) / bands[0].rate_hz,
        against=[contradiction(moves, track.rpm) for track in tracks],
        rivals=rivals,
    )
    second = None
    if len(cylinders) > 1:
        medians = [view.median_rpm for view in views]
        second = second_features([_clean(ear.signals, track) for track in tracks], medians, guesses, features)
    found = Candidate(tracks, guesses, features, tuple(each.near for each in heard), second)
    if len(cylinders) == 1 or sound is None:
        return found
    return replace(found, sound=sound, low=bands[0])


def _clean(
    signals: tuple[Baseband, ...], track: RefinedTrack
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Order spectra of the low band and the envelopes over which nothing folds back, in two windows each."""
    found = []
    for signal in signals:
        clean = straighten_clean(signal, track.time_s, track.rpm)
        found.append((
            long_order_levels(clean),
            long_order_levels(clean, revs=FINE_REVS),
        ))  # fmt: skip
    if len(found) == 1:
        found.append((0.0 * found[0][0], 0.0 * found[0][1]))
    return found[0], found[1]


def _view(
    signals: tuple[Baseband, ...],
    track: RefinedTrack,
    near: FloatArray,
    combs: Mapping[int, FloatArray],
    prior: FloatArray,
) -> TrackView:
    """Look at the whole clip straightened by one track."""
    laid = list(between(signals, angle_times(signals[0], track.time_s, track.rpm)))
    levels = [long_order_levels(values) for values in laid]
    fine = [long_order_levels(values, revs=FINE_REVS) for values in laid]
    likeness = [self_likeness(values) for values in laid]
    return TrackView(
        rpm=track.rpm,
        levels=(levels[0], levels[-1] if len(levels) > 1 else 0.0 * levels[0]),
        fine_levels=(fine[0], fine[-1]),
        likeness=(likeness[0], likeness[-1] if len(likeness) > 1 else 0.0 * likeness[0]),
        sharpness=float(np.mean(near)),
        relative_sd=float(np.median(track.sd_rpm / track.rpm)),
        agreement=comb_agreement(track.rpm, combs, prior),
    )


def _summed(envelopes: tuple[Baseband, ...]) -> Baseband | None:
    if not envelopes:
        return None
    total = np.sum([e.samples / (np.std(e.samples) + 1e-9) for e in envelopes], axis=0)
    return Baseband(total.astype(np.float32), envelopes[0].rate_hz)


@dataclass(frozen=True)
class Choice:
    """The reading that was chosen: a hypothesis, how probable its speed is, and its cylinders given that.

    confidence: the probability, put right on clips that the choosing models did not see, and lowered where a
    rhythm is heard below the firings that it does not explain. other_course: the probability that the speed
    is usually this one, but not for a part of the time.
    """

    hypothesis: Hypothesis
    probability: float
    cylinders_probability: float
    alternatives: tuple[SpeedAlternative, ...]
    confidence: float
    other_course: float


def choose(candidate: Candidate, weights: CombWeights) -> Choice:
    """Decide between the hypotheses: the most probable speed, then the most probable cylinders for it."""
    chooser = weights.chooser
    if candidate.second is None or weights.second is None:
        probability = chooser.probabilities(candidate.features)[:-1]
    else:
        first, chooser = chooser.scores(candidate.features), weights.second
        probability = mean_of_opinions(first, chooser.scores(with_score(candidate.second, first)))[:-1]
    speeds, numbers = readings(candidate)
    if candidate.sound is not None and weights.firings is not None:
        probability = _by_firings(candidate, probability, weights.firings)
    usual = np.abs(np.log(speeds[:, None] / speeds[None, :])) < SAME_SPEED
    # Courses of the same usual speed that differ for a part of the time are not one reading.
    same = usual & _one_course(candidate)
    totals = same @ probability
    best_speed = int(np.argmax(totals))
    here = same[best_speed]
    shares = {int(n): float(probability[here & (numbers == n)].sum()) for n in np.unique(numbers[here])}
    number = max(shares, key=lambda n: shares[n])
    best = int(np.argmax(np.where(here & (numbers == number), probability, -1.0)))
    # Of two courses that lock on a third each may stray from the other: what is followed is what counts.
    here, elsewhere = same[best], usual[best] & ~same[best]
    total = float(totals[best])
    confidence = chooser.confidence(total)
    return Choice(
        candidate.hypotheses[best],
        total,
        float(probability[here & (numbers == number)].sum()) / max(total, 1e-12),
        _alternatives(speeds, numbers, np.where(elsewhere, 0.0, probability), best),
        _doubted(candidate, candidate.hypotheses[best], confidence),
        float(probability[elsewhere].sum()),
    )


def _one_course(candidate: Candidate) -> NDArray[np.bool_]:
    """Which hypotheses of one usual speed are locked on each other, shape (hypotheses, hypotheses).

    Those of one track always. Of different usual speeds nothing is said: courses 2 to 5 % apart are told as
    readings with a factor of their own.
    """
    places = list(dict.fromkeys((h.track, h.factor) for h in candidate.hypotheses))
    courses = np.log([candidate.tracks[track].rpm * factor for track, factor in places])
    track = np.array([track for track, _ in places])
    middle = np.median(courses, axis=1)
    one: NDArray[np.bool_] = track[:, None] == track[None, :]
    near = (np.abs(middle[:, None] - middle[None, :]) < SAME_SPEED) & ~one
    for a, b in np.argwhere(near):
        off = np.abs(courses[a] - courses[b]) > np.log1p(LOCKED_WITHIN)
        one[a, b] = np.mean(off) < LOCKED_SHARE
    number = {place: row for row, place in enumerate(places)}
    rows = np.array([number[h.track, h.factor] for h in candidate.hypotheses])
    return one[rows[:, None], rows[None, :]]


def _doubted(candidate: Candidate, guess: Hypothesis, confidence: float) -> float:
    """Trust a reading less that leaves a rhythm below its firings unexplained."""
    if candidate.sound is None or candidate.low is None:
        return confidence
    track = candidate.tracks[guess.track]
    rpm = track.rpm * guess.factor
    usual, firing_hz = float(np.median(rpm)), rpm * (guess.cylinders / 120.0)
    heights = lines_below(candidate.sound, candidate.low, track.time_s, firing_hz, guess.cylinders)
    less = 0.0 if heights is None else doubt(heights, usual)
    return float(confidence / (confidence + (1.0 - confidence) * np.exp(less)))


def readings(candidate: Candidate) -> tuple[FloatArray, NDArray[np.intp]]:
    """Give the usual speed in rpm and the cylinders of each hypothesis, shape (hypotheses,) each."""
    medians = [float(np.median(track.rpm)) for track in candidate.tracks]
    speeds = np.array([h.factor * medians[h.track] for h in candidate.hypotheses])
    return speeds, np.array([h.cylinders for h in candidate.hypotheses])


def lines_of(candidate: Candidate, place: int) -> FloatArray | None:
    """Look at the rows of firings of one hypothesis; None where there is nothing to look at."""
    if candidate.sound is None or candidate.low is None:
        return None
    guess = candidate.hypotheses[place]
    track = candidate.tracks[guess.track]
    firing_hz = track.rpm * (guess.factor * guess.cylinders / 120.0)
    return row_lines(candidate.sound, candidate.low, track.time_s, firing_hz)


def _by_firings(candidate: Candidate, probability: FloatArray, model: FiringModel) -> FloatArray:
    """Share what readings that fire alike have together out anew, by the rows of their firings."""
    speeds, numbers = readings(candidate)
    fires = np.log(speeds * numbers)
    found = probability.copy()
    left = np.ones(len(found), bool)
    for _ in range(MOST_WEIGHED):
        alike = np.abs(fires[:, None] - fires[None, :]) < SAME_SPEED
        alike &= left[None, :]
        together = np.where(left, alike @ probability, -1.0)
        first = int(np.argmax(together))
        if together[first] < LEAST_WEIGHED:
            break
        here = alike[first]
        left[here] = False
        lines = lines_of(candidate, int(np.argmax(np.where(here, probability, -1.0))))
        if lines is None:
            continue
        before = {int(n): float(probability[here & (numbers == n)].sum()) for n in np.unique(numbers[here])}
        for number, share in model.shares(lines, before).items():
            mine = here & (numbers == number)
            found[mine] *= share * together[first] / max(before[number], 1e-12)
    return found


def _alternatives(
    speeds: FloatArray, numbers: NDArray[np.intp], probability: FloatArray, best: int
) -> tuple[SpeedAlternative, ...]:
    """Other readings, those of the same speed and cylinders added up, the likeliest first."""
    found: list[SpeedAlternative] = []
    left = np.ones(len(speeds), bool)
    near_best = np.abs(np.log(speeds / speeds[best])) < SAME_SPEED
    left[near_best & (numbers == numbers[best])] = False
    while left.any() and len(found) < MOST_REPORTED:
        top = int(np.argmax(np.where(left, probability, -1.0)))
        like = left & (numbers == numbers[top]) & (np.abs(np.log(speeds / speeds[top])) < SAME_SPEED)
        total = float(probability[like].sum())
        if total < LEAST_REPORTED:
            break
        left[like] = False
        found.append(SpeedAlternative(float(speeds[top] / speeds[best]), int(numbers[top]), total))
    return tuple(sorted(found, key=lambda a: -a.probability))


def _prior_of(vehicle: Vehicle | None, weights: CombWeights) -> FloatArray | None:
    """Log prior over the grid with the idle range of the vehicle file, None where it is not stated."""
    if vehicle is None or vehicle.idle_low_rpm is None or vehicle.idle_high_rpm is None:
        return None
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

    Answers with speed, 90 % band and confidence every ``HOP_S`` seconds, each for when the engine turned so,
    ``SOUND_LATE_S`` before it is heard; the band is that of the posterior of
    the refinement and says nothing of half or double, which ``confidence`` and ``alternatives`` do. Where the
    number of cylinders is not known it is estimated jointly, and the other readings are reported with their
    probabilities. Where the engine starts or stops within the clip, its speed
    is unknown (NaN) while it stands.
    """
    weights = weights or load_comb_weights()
    bands = basebands(clip.samples, clip.sample_rate_hz)
    runs = running_spans(clip.samples, clip.sample_rate_hz, bands)
    if not runs:
        return no_speed(clip.duration_s, "No sound in which an engine could be heard.")
    if runs == ((0.0, clip.duration_s),):
        return _speed_of_run(clip.samples, clip.sample_rate_hz, bands, vehicle, weights)

    def follow(run: Span, known: Vehicle | None) -> SpeedTrace:
        first, last = (round(edge * clip.sample_rate_hz) for edge in run)
        part = clip.samples[first:last]
        return _speed_of_run(part, clip.sample_rate_hz, basebands(part, clip.sample_rate_hz), known, weights)

    return joined(clip.duration_s, runs, follow, vehicle)


def _speed_of_run(
    samples: FloatArray,
    rate_hz: float,
    bands: tuple[Baseband, ...],
    vehicle: Vehicle | None,
    weights: CombWeights,
) -> SpeedTrace:
    """Find the speed of an engine that runs from beginning to end."""
    duration = len(samples) / rate_hz
    front = front_end(bands, duration)
    told = vehicle.cylinders if vehicle else None
    # A number of cylinders that the comb was never taught (2, 10, 12) leaves the choice open.
    numbers = (told,) if told in CYLINDERS else CYLINDERS
    prior = _prior_of(vehicle, weights)
    if not np.any(front.energy_db > -95.0):
        return no_speed(duration, "No sound in which an engine could be heard.")
    sound = swells(samples, rate_hz) if len(numbers) > 1 and weights.firings is not None else None
    candidate = candidate_tracks(bands, front, weights, cylinders=numbers, prior=prior, sound=sound)
    choice = choose(candidate, weights)
    track = candidate.tracks[choice.hypothesis.track]
    if choice.hypothesis.factor != 1.0:
        track = refine((bands[0],), track.time_s, track.rpm * choice.hypothesis.factor, near=True)
    track = _as_it_turned(follow_cycles(bands, track))
    confidence = choice.confidence
    if told is not None and told not in CYLINDERS:
        confidence = min(confidence, UNTAUGHT_CONFIDENCE)
    return _trace(front, candidate.sharpness[choice.hypothesis.track], choice, track, confidence, told)


def _as_it_turned(track: RefinedTrack) -> RefinedTrack:
    """Give the speed at the time at which the engine turned so, not at that at which it was heard."""
    rpm = np.interp(track.time_s + SOUND_LATE_S, track.time_s, track.rpm)
    return RefinedTrack(track.time_s, rpm, track.sd_rpm)


def _trace(
    front: FrontEnd,
    sharpness: FloatArray,
    choice: Choice,
    track: RefinedTrack,
    confidence: float,
    told: int | None,
) -> SpeedTrace:
    known = _engine_runs(front, sharpness)
    rpm = np.where(known, track.rpm, np.nan)
    half = 1.645 * track.sd_rpm
    notes: list[Note] = []
    if not known.all():
        notes.append(Note("speed_gaps", "For parts of the clip no engine speed can be heard.", (), "info"))
    number: int | None = choice.hypothesis.cylinders if told is None else told
    if told is not None and told not in CYLINDERS:
        notes.append(
            Note(
                "cylinders_untaught",
                f"Speed by ear was never learnt for an engine with {told} cylinder{'s' * (told != 1)}, only "
                "for those with 3, 4, 5, 6 and 8: state the speed with --rpm where it is known.",
            )
        )
    notes += course_notes(choice.other_course)
    sure = told is not None or choice.cylinders_probability >= 0.7
    ambiguous = tuple(a for a in choice.alternatives if a.probability >= 0.05)
    if told is None and (ambiguous or not sure):
        listed = "; ".join(_said(a) for a in ambiguous[:3])
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
        instant_confidence=read_only(np.clip(sharpness, 0, 1) * confidence),
        cylinders=number if sure else None,
        cylinders_source="entered" if told is not None else ("heard" if sure else "unknown"),
        alternatives=choice.alternatives,
        notes=tuple(notes),
        other_course=choice.other_course,
    )


def course_notes(other_course: float) -> tuple[Note, ...]:
    """Tell how probable it is that the speed is another for a part of the clip, where that is worth telling.

    >>> [note.text for note in course_notes(0.3)], course_notes(0.04)
    (['For a part of the clip the engine may turn at another speed than is followed here (30 %).'], ())
    """
    if other_course < OPEN_COURSE:
        return ()
    text = "For a part of the clip the engine may turn at another speed than is followed here"
    return (Note("speed_course_open", f"{text} ({100 * other_course:.0f} %)."),)


def _said(other: SpeedAlternative) -> str:
    """Name another reading as a person would: at the same speed only the number of cylinders is another."""
    share = f"({100 * other.probability:.0f} %)"
    if abs(other.factor - 1.0) < SAME_SPEED:
        return f"{other.cylinders} cylinders at the same speed {share}"
    return f"{other.factor:.3g} times this speed with {other.cylinders} cylinders {share}"


def _engine_runs(front: FrontEnd, sharpness: FloatArray) -> NDArray[np.bool_]:
    """Where an engine can be heard: not far below the clip's usual level with a blurred comb (shape (n,))."""
    level = front.energy_db - np.median(front.energy_db)
    return ~((level < -22.0) & (sharpness < 0.5))
