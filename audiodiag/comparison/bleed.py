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
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from audiodiag.comparison.strengths import BANDS_HZ, gain_db, masks_of
from audiodiag.errors import UsageError
from audiodiag.records import Analysis, FloatArray, Note, read_only
from audiodiag.statistics import student_quantile
from audiodiag.symptoms import build_scene
from audiodiag.symptoms.spectra import TINY

__all__ = ["BleedWatch", "Cycle", "CycleNoise", "cycle_noises", "cycle_spans", "judge_cycles", "watch_bleed"]

State = Literal["too_few", "no_air", "falling", "level_not_done", "done", "rising"]
CYCLE_S = 8.0
"""Length of a cycle where nobody said when the wheel was at a stop."""
SHORTEST_CYCLE_S = 2.0
DONE_SHARE = 0.25
"""Share of the two loudest cycles' groan that must not be reached any more, upper end of the interval
included."""
LEAST_RISE_DB = 1.0
"""Rise of the loudest cycle over the calm below which no air was heard at all."""
CYCLE_SPREAD = 0.10
"""Standard deviation of the index of a cycle on top of its own scatter, as a share of itself (an
assumption)."""
HEALTHY_SWELL = 0.03
"""Share by which an engine without air swells under load beyond what its lines show (an assumption)."""
BASE_SPREAD = 0.05
"""The same as a share of the engine's noise: how far the engine alone goes up and down (an assumption)."""
LOW_HZ, HIGH_HZ = 150.0, 8000.0
FREEDOM = 10.0


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
class BleedWatch:
    """All cycles, how it stands after the last, and when it was first done (counted from 1), if ever.

    per_cycle: mean change of the air index a cycle over the last three, None for fewer than three.
    """

    cycles: tuple[Cycle, ...]
    state: State
    done_at: int | None
    per_cycle: float | None
    notes: tuple[Note, ...] = ()


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
        spans, told = cycle_spans(found, cycle_s=cycle_s)
        notes += told
        noises += cycle_noises(found, spans, number)
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
    return judge_cycles(noises, notes=tuple(notes))


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
    # The engine's lines alone show the gain here: a loud groan buries its beat, or beats itself.
    gain = gain_db(scene, None)
    masks = masks_of(scene, found.phases, np.ones(len(scene.time_s), bool), gain)
    inside = (scene.level_hz >= LOW_HZ) & (scene.level_hz <= HIGH_HZ)
    place = [int(np.argmin(np.abs(np.log(BANDS_HZ / hz)))) for hz in scene.level_hz[inside]]
    level = np.full((len(scene.time_s), len(BANDS_HZ)), np.nan)
    level[:, place] = scene.level[:, inside] * (10.0 ** (-0.1 * gain))[:, None]
    noises = []
    for start, end in spans:
        now = (scene.time_s >= start) & (scene.time_s < end)
        loud, calm = now & masks.loud, now & masks.calm
        if not masks.stated or loud.sum() < 10 or calm.sum() < 8:
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
    >>> fading = [
    ...     CycleNoise(0, 8.0 * i, 8.0 * i + 8.0, bands * (1.0 + a), bands * 0.01, bands)
    ...     for i, a in enumerate((3.0, 2.0, 1.0, 0.3, 0.02, 0.02, 0.02))
    ... ]
    >>> watch = judge_cycles(fading)
    >>> watch.state, watch.done_at, [round(cycle.air, 2) for cycle in watch.cycles][:3]
    ('done', 6, [1.23, 0.81, 0.4])
    """
    states, last = [], None
    for count in range(1, len(noises) + 1):
        last = _indices(noises[:count])
        states.append(_state(*last))
    if last is None:
        return BleedWatch((), "too_few", None, None, notes)
    air, error, _ = last
    t = student_quantile(0.975, FREEDOM)
    cycles = tuple(
        Cycle(n.recording, n.start_s, n.end_s, float(a), float(a - t * e), float(a + t * e), state)
        for n, a, e, state in zip(noises, air, error, states, strict=True)
    )
    done = next((i + 1 for i, state in enumerate(states) if state == "done"), None)
    slope = float(np.polyfit(np.arange(3), air[-3:], 1)[0]) if len(air) >= 3 else None
    return BleedWatch(cycles, states[-1], done, slope, notes)


def _indices(noises: Sequence[CycleNoise]) -> tuple[FloatArray, FloatArray, float]:
    """Air indices of the cycles, their standard errors, and the rise in dB of what is loudest."""
    loud = np.array([n.loud for n in noises])
    error = np.array([n.loud_error for n in noises])
    calm = np.array([n.calm for n in noises])
    for number in {n.recording for n in noises}:
        # Every recording has its own gain and place: its calmest cycles stand for the engine.
        mine = np.array([n.recording == number for n in noises])
        order = np.argsort(np.nanmean(np.log(np.maximum(calm[mine], TINY)), axis=1))[:2]
        base = np.nanmean(calm[mine][order], axis=0)
        loud[mine] /= base
        error[mine] /= base
    rise = loud - 1.0 - HEALTHY_SWELL
    top = np.nanmax(rise, axis=0)
    noise = np.nanmean(error**2, axis=0) + BASE_SPREAD**2
    known = np.isfinite(top) & np.isfinite(noise)
    strength = np.where(known, np.clip(top, 0.0, None), 0.0)
    weight = strength / np.where(known, 0.1 * strength**2 + noise, 1.0)
    if not weight.any():
        return np.zeros(len(noises)), np.full(len(noises), 1.0), 0.0
    joined = np.nansum(np.where(known, rise, 0.0) * weight, axis=1)
    spread = np.sqrt(np.nansum((np.where(known, error, 0.0) * weight) ** 2, axis=1))
    first, second = (max(float(one), 0.0) for one in np.sort(joined)[[-1, -2 if len(joined) > 1 else -1]])
    usual = math.sqrt(first * second)
    share = weight * strength / float((weight * strength).sum())
    rise_db = float(10.0 * np.log10(1.0 + np.clip(strength, 0.0, None)) @ share)
    if usual <= 0.0:
        return np.zeros(len(noises)), np.full(len(noises), 1.0), 0.0
    own = np.hypot(CYCLE_SPREAD * np.clip(joined, 0.0, None), BASE_SPREAD * float(weight.sum()))
    return joined / usual, np.hypot(spread, own) / usual, rise_db


def _state(air: FloatArray, error: FloatArray, rise_db: float) -> State:
    """How it stands after the last of these cycles."""
    if len(air) < 2:
        return "too_few"
    if rise_db < LEAST_RISE_DB:
        return "no_air" if len(air) >= 3 else "too_few"
    t = student_quantile(0.975, FREEDOM)
    step, margin = float(air[-1] - air[-2]), t * math.hypot(float(error[-1]), float(error[-2]))
    low = all(air[-i] + student_quantile(0.9, FREEDOM) * error[-i] < DONE_SHARE for i in (1, 2))
    if low and abs(step) <= max(margin, 0.05):
        return "done"
    earlier = float(air[-3:].max()) if len(air) >= 3 else float(air[-2])
    if step > margin and air[-1] > DONE_SHARE:
        return "rising"
    if step < -margin or earlier - float(air[-1]) > margin:
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
