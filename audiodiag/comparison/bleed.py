"""Is the air out yet? How loud is the groan of air in each lock-to-lock cycle, and does it still fall?

While the steering is bled, the wheel goes from lock to lock again and again and the groan of air in the fluid
fades. Of every cycle the noise under load is set against the calmest cycle's noise with the wheel at rest,
band by band, with the phone's gain taken out by the engine. The air index is that rise, as a share of the
two loudest cycles' (their geometric mean): one that is far louder than all others says little about them. A
cycle is the unit that counts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from audiodiag.comparison.strengths import BANDS_HZ, gain_db, masks_of
from audiodiag.errors import UsageError
from audiodiag.records import Analysis, FloatArray, Note, read_only
from audiodiag.symptoms import build_scene, heard_while_running
from audiodiag.symptoms.spectra import TINY
from audiodiag.units import percent

__all__ = [
    "BleedWatch",
    "Cycle",
    "CycleNoise",
    "LastCycles",
    "cycle_noises",
    "cycle_spans",
    "judge_cycles",
    "watch_bleed",
]

State = Literal["too_few", "no_air", "falling", "level_not_done", "done", "rising", "unrecognised"]
CYCLE_S = 8.0
"""Length of a cycle where nobody said when the wheel was at a stop."""
SHORTEST_CYCLE_S = 2.0
DONE_SHARE = 0.25
"""Share of the two loudest cycles' groan that must not be reached any more, upper end of the interval
included."""
LEAST_RISE_DB = 1.0
"""Rise of the loudest cycle over the calm below which no air was heard at all."""
PERHAPS = 0.25
"""Probability of a groan in any recording below which what swells may as well be the engine."""
LONE_TIMES = 4.0
"""By how much one cycle may be louder than all others and still count in full."""
SILENT_SHARE = 0.10
"""Share of it up to which a cycle may be as good as silent."""
GAIN_MEAN_DB, GAIN_DB, SWELL_DB = 1.0, 2.0, 3.0
"""What is held of the gain from rest to stop that the bands' least rise does not show: mean, spread; and how
much of a rise of all bands alike is put down to it at most (assumptions)."""
BAND_DB, ALIKE_BANDS, LEAST_PERCENT, LEAST_OVER, HELD_S = 0.5, 2.0, 15.0, 0.12, 1.0
"""Scatter of a band beyond its own, how many bands move as one, the share of bands that rise least,
the rise, as a share, from which a band has any groan, and how long the wheel is held (assumptions)."""
LEAST_INSTANTS = 8
AIR: FloatArray = np.concatenate([np.linspace(0.0, 0.2, 101)[:-1], np.geomspace(0.2, 6.0, 200)])
"""Shares of the profile's air that are weighed."""
_STEP = np.gradient(AIR)
_DB = 10.0 / math.log(10.0)
LOW_HZ, HIGH_HZ = 150.0, 8000.0


@dataclass(frozen=True)
class Cycle:
    """One cycle: its recording (counted from 0), its span, its air index with a 95 % interval.

    ``air``: rise of the noise under load, as a share of the two loudest cycles'; it may be a little below
    zero.
    """

    recording: int
    start_s: float
    end_s: float
    air: float
    low: float
    high: float
    state: State


@dataclass(frozen=True)
class LastCycles:
    """The last cycle beside those before.

    step: its air index less that of the one before. drop: how far it lies below the loudest of the last
    three. margin: difference of the last two from which on it is told from chance.
    """

    step: float
    drop: float
    margin: float

    @classmethod
    def of(cls, air: FloatArray, low: FloatArray, high: FloatArray) -> LastCycles:
        """Compare the last of two cycles and more: air indices and their bounds, shape (n,) each."""
        half = 0.5 * (high - low)
        return cls(
            float(air[-1] - air[-2]),
            float(air[-3:].max() - air[-1]),
            math.hypot(float(half[-1]), float(half[-2])),
        )


@dataclass(frozen=True)
class BleedWatch:
    """All cycles, how it stands after the last, and when it was first done (counted from 1), if ever.

    per_cycle: slope of a straight line through the air index of the last three cycles, None for fewer than
    three; the state does not go by it. state: ``unrecognised`` where something swells, but by ear no groan is
    likely in any recording.
    """

    cycles: tuple[Cycle, ...]
    state: State
    done_at: int | None
    per_cycle: float | None
    notes: tuple[Note, ...] = ()

    @property
    def last(self) -> LastCycles | None:
        """The comparison of the last cycles, by which the state goes; None for a single one."""
        if len(self.cycles) < 2:
            return None
        return LastCycles.of(*np.array([(one.air, one.low, one.high) for one in self.cycles]).T)


@dataclass(frozen=True, eq=False)
class CycleNoise:
    """The noise of one cycle by third octaves: loud and calm, with the standard error of each, shape
    (bands,)."""

    recording: int
    start_s: float
    end_s: float
    loud: FloatArray
    loud_error: FloatArray
    calm: FloatArray


def watch_bleed(analyses: Sequence[Analysis], *, cycle_s: float | None = None) -> BleedWatch:
    """Follow the air through the cycles of one long recording, or of several in the order they were made.

    Parameters
    ----------
    analyses:
        At least one; steering phases stated in them give the cycles.
    cycle_s:
        Length of a cycle where they are not stated; 8 s without.

    Raises
    ------
    UsageError
        If there is no recording, one cannot be used, or the cycles are too short.
    """
    if not analyses:
        raise UsageError(
            "there is nothing to watch",
            got="no recording",
            allowed="one long recording, or several in the order they were made",
            todo="audiodiag bleed my_bleeding.m4a",
        )
    if cycle_s is not None and cycle_s < SHORTEST_CYCLE_S:
        raise UsageError(
            "a cycle cannot be that short",
            got=f"{cycle_s:g} s",
            allowed=f"at least {SHORTEST_CYCLE_S:g} s",
            todo="state how long the wheel takes from lock to lock and back",
        )
    noises: list[CycleNoise] = []
    notes: list[Note] = []
    for number, found in enumerate(analyses):
        if not found.quality.usable or not found.quality.levels_usable:
            raise UsageError(
                f"{found.clip.name} cannot be used for the bleed watch",
                got=f"a recording coded as {found.clip.codec}, whose levels mean nothing"
                if found.quality.usable
                else "a recording that is not good enough to judge",
                allowed="a recording of the phone's sound or video recorder",
                todo="leave it out, or record again",
            )
        run, start_s = heard_while_running(found)
        spans, told = cycle_spans(run, cycle_s=cycle_s)
        notes += told
        noises += [
            replace(noise, start_s=noise.start_s + start_s, end_s=noise.end_s + start_s)
            for noise in cycle_noises(run, spans, number)
        ]
    if len(analyses) > 1:
        notes.append(
            Note(
                "several_recordings",
                "The recordings are joined by the engine's own noise with the wheel at rest; leave the "
                "phone where "
                "it lies, or use one long recording.",
                severity="info",
            )
        )
    watch = judge_cycles(noises, notes=tuple(notes))
    likeliest = max(found.symptom("cavitation_groan").probability for found in analyses)
    if watch.state in ("level_not_done", "rising") and likeliest < PERHAPS:
        return replace(watch, state="unrecognised", notes=(*watch.notes, _maybe_engine(likeliest)))
    return watch


def _maybe_engine(likeliest: float) -> Note:
    """Say that what swells may be no groan: the index is a share of the loudest, whatever is in them."""
    return Note(
        "maybe_engine",
        f"By ear no groan is likely in what was recorded ({percent(likeliest)} at most): what swells "
        "may be the engine's own noise under the load of the steering. Look for bubbles and at the level "
        "before anything is taken apart or renewed.",
    )


def cycle_spans(
    found: Analysis, *, cycle_s: float | None = None
) -> tuple[tuple[tuple[float, float], ...], tuple[Note, ...]]:
    """Cut a recording into lock-to-lock cycles: from the end of every second stop to the next, or evenly."""
    duration_s = found.clip.duration_s
    stops = [s.end_s for s in found.phases.spans if s.phase == "stop"]
    if found.phases.source in ("marked", "tabled") and cycle_s is None and len(stops) >= 3:
        edges = [0.0, *stops[1:-1:2], duration_s] if len(stops) > 3 else [0.0, stops[1], duration_s]
        if duration_s - edges[-2] < 0.5 * float(np.median(np.diff(edges))):
            edges.pop(-2)
        return tuple(itertools.pairwise(edges)), ()
    length = cycle_s or CYCLE_S
    count = max(int(duration_s / length + 0.25), 1)
    edges = [min(i * length, duration_s) for i in range(count)] + [duration_s]
    note = Note(
        "even_cycles",
        f"Nobody stated when the wheel was at a stop, so the recording is cut into stretches of "
        f"{length:g} s. "
        "State the steering with --steering, or the length of a cycle with --cycle.",
    )
    return tuple(itertools.pairwise(edges)), () if cycle_s else (note,)


def cycle_noises(
    found: Analysis, spans: Sequence[tuple[float, float]], recording: int = 0
) -> list[CycleNoise]:
    """Measure the noise of each cycle under load and at rest, with the phone's gain taken out."""
    scene = build_scene(found.clip, found.quality, found.speed, found.phases)
    gain = gain_db(scene)
    masks = masks_of(scene, found.phases, np.ones(len(scene.time_s), bool), gain)
    inside = (scene.level_hz >= LOW_HZ) & (scene.level_hz <= HIGH_HZ)
    place = [int(np.argmin(np.abs(np.log(BANDS_HZ / hz)))) for hz in scene.level_hz[inside]]
    level = np.full((len(scene.time_s), len(BANDS_HZ)), np.nan)
    level[:, place] = scene.level[:, inside] * (10.0 ** (-0.1 * gain))[:, None]
    noises = []
    for start, end in spans:
        now = (scene.time_s >= start) & (scene.time_s < end)
        loud, calm = now & masks.stop, now & masks.calm
        if not masks.stated or loud.sum() < LEAST_INSTANTS or calm.sum() < LEAST_INSTANTS:
            track = np.where(now, np.nansum(np.log(np.maximum(level, TINY)), axis=1), np.nan)
            loud = now & (track >= np.nanpercentile(track, 60.0))
            calm = now & (track <= np.nanpercentile(track, 25.0))
        mean, error = _mean(level, loud)
        noises.append(
            CycleNoise(
                recording, start, end, read_only(mean), read_only(error), read_only(_mean(level, calm)[0])
            )
        )
    return noises


def judge_cycles(noises: Sequence[CycleNoise], *, notes: tuple[Note, ...] = ()) -> BleedWatch:
    """Say for every cycle how much air is left and how it stood then, looking only at it and those before.

    >>> bands = np.full(24, 1.0)
    >>> groan = 8.0 * np.exp(-((np.arange(24) - 12.0) ** 2) / 8.0)
    >>> fading = [
    ...     CycleNoise(0, 8.0 * i, 8.0 * i + 8.0, 1.0 + a * groan, bands * 0.01, bands)
    ...     for i, a in enumerate((3.0, 2.0, 1.0, 0.3, 0.02, 0.02, 0.02))
    ... ]
    >>> watch = judge_cycles(fading)
    >>> watch.state, watch.done_at, [round(cycle.air, 2) for cycle in watch.cycles][:3]
    ('done', 6, [1.22, 0.82, 0.41])
    """
    states, last = [], None
    for count in range(1, len(noises) + 1):
        last = _indices(noises[:count])
        states.append(_state(last))
    if last is None:
        return BleedWatch((), "too_few", None, None, notes)
    cycles = tuple(
        Cycle(n.recording, n.start_s, n.end_s, float(a), float(low), float(high), state)
        for n, a, low, high, state in zip(noises, last.air, last.low, last.high, states, strict=True)
    )
    done = next((i + 1 for i, state in enumerate(states) if state == "done"), None)
    slope = float(np.polyfit(np.arange(3), last.air[-3:], 1)[0]) if len(last.air) >= 3 else None
    return BleedWatch(cycles, states[-1], done, slope, notes)


@dataclass(frozen=True, eq=False)
class _Indices:
    """Air indices of the cycles with their 95 % intervals, shape (cycles,), and the rise of what is loudest.

    sure_below: shape (cycles,), what the index stays below with 90 %.
    """

    air: FloatArray
    low: FloatArray
    high: FloatArray
    sure_below: FloatArray
    rise_db: float


def _indices(noises: Sequence[CycleNoise]) -> _Indices:
    """How much of the groan of the loudest cycles each cycle has, whatever the gain did meanwhile."""
    rise = _rises(noises)
    known = np.isfinite(rise).all(axis=0)
    nothing = np.zeros(len(noises))
    if not known.any():
        return _Indices(nothing, nothing - 1.0, nothing + 1.0, nothing + 1.0, 0.0)
    rise = rise[:, known]
    spread_db = np.hypot(BAND_DB, _DB / np.sqrt(0.23 * BANDS_HZ[known] * HELD_S))
    least = np.clip(np.percentile(rise, LEAST_PERCENT, axis=1), 10.0 ** (-0.1 * SWELL_DB), None)
    over = np.clip(rise / np.minimum(least, 10.0 ** (0.1 * SWELL_DB))[:, None] - 1.0, 0.0, None)
    strong = np.argsort(over.sum(axis=1))[::-1][:2]
    profile = over[strong].mean(axis=0)
    profile = np.where(profile > LEAST_OVER, profile, 0.0)
    rise_db = 10.0 * math.log10(1.0 + float(np.sort(profile)[-3:].mean()))
    if not profile.any():
        return _Indices(nothing, nothing - 1.0, nothing + 1.0, nothing + 1.0, 0.0)
    chances = np.array([_chance(one, spread_db, profile) for one in rise])
    air = chances @ AIR
    loudest = np.sort(air)[::-1]
    second = float(loudest[min(1, len(air) - 1)])
    usual = max(math.sqrt(min(float(loudest[0]), LONE_TIMES * second) * second), 1e-3)
    summed = np.cumsum(chances, axis=1)
    low, high, below = (np.array([float(np.interp(q, s, AIR)) for s in summed]) for q in (0.025, 0.975, 0.9))
    return _Indices(air / usual, low / usual, high / usual, below / usual, rise_db)


def _rises(noises: Sequence[CycleNoise]) -> FloatArray:
    """Noise at the stops over the calm engine's, shape (cycles, bands)."""
    loud = np.array([n.loud for n in noises])
    calm = np.array([n.calm for n in noises])
    for number in {n.recording for n in noises}:
        # Every recording has its own gain and place: its calmest cycles stand for the engine.
        mine = np.array([n.recording == number for n in noises])
        total = np.array([np.log(np.maximum(c[np.isfinite(c)], TINY)).mean() if np.isfinite(c).any()
                          else np.inf for c in calm[mine]])  # fmt: skip
        base = calm[mine][np.argsort(total)[: 2 if np.isfinite(total).sum() > 1 else 1]].mean(axis=0)
        loud[mine] /= base
    return loud


def _chance(rise: FloatArray, spread_db: FloatArray, profile: FloatArray) -> FloatArray:
    """How likely each share of ``AIR`` is for one cycle, shape (shares,).

    The bands rise as gain times (1 + share times profile); the gain is held near one, by ``GAIN_DB``.
    """
    weight = 1.0 / spread_db**2 / ALIKE_BANDS
    model = 10.0 * np.log10(1.0 + AIR[:, None] * profile)
    left = 10.0 * np.log10(np.maximum(rise, TINY)) - model
    gain = ((left * weight).sum(axis=1) + GAIN_MEAN_DB / GAIN_DB**2) / (weight.sum() + 1.0 / GAIN_DB**2)
    squares = (weight * (left - gain[:, None]) ** 2).sum(axis=1) + ((gain - GAIN_MEAN_DB) / GAIN_DB) ** 2
    chance = np.exp(-0.5 * (squares - squares.min())) * _STEP
    return np.asarray(chance / chance.sum())


def _state(found: _Indices) -> State:
    """How it stands after the last of these cycles."""
    air, below = found.air, found.sure_below
    if len(air) < 2:
        return "too_few"
    if found.rise_db < LEAST_RISE_DB:
        return "no_air" if len(air) >= 3 else "too_few"
    last = LastCycles.of(air, found.low, found.high)
    step, margin = last.step, last.margin
    low = all(below[-i] < DONE_SHARE and air[-i] < SILENT_SHARE for i in (1, 2))
    if low and abs(step) <= max(margin, SILENT_SHARE):
        return "done"
    if step > margin and air[-1] > DONE_SHARE:
        return "rising"
    if step < -margin or last.drop > margin:
        return "falling"
    return "falling" if step < 0 and air[-1] < 0.5 and not low and step < -0.5 * margin else "level_not_done"


def _mean(level: FloatArray, chosen: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Mean over instants and its standard error from stretches of half a second."""
    places = np.flatnonzero(chosen)
    if len(places) < 4:
        nothing = np.full(level.shape[1], np.nan)
        return nothing, nothing
    groups = np.array_split(places, max(len(places) // 10, 2))
    means = np.array([level[g].mean(axis=0) for g in groups])
    return level[places].mean(axis=0), means.std(axis=0, ddof=1) / math.sqrt(len(groups))
