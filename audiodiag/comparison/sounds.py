"""How strong is one symptom in each band of one recording?

Powers relative to the whole recording, with the phone's moving gain taken out. Each symptom is parted from
the rest by what marks it: groan and hiss by swelling with the steering, whine by its order, squeal by narrow
bands that rise at the same moments, chirp by bursts that do not repeat with the engine's cycle, growl by the
beat of its impacts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np

from audiodiag.comparison.beats import GROWL_HZ, PER_REV, Beats, swing_at
from audiodiag.comparison.strengths import (
    BANDS_HZ,
    BEATS_HZ,
    Mask,
    Masks,
    Strengths,
    belonging,
    per_hz,
    segment_mean,
    taken_out,
)
from audiodiag.records import FloatArray
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import half_order_distance, smooth

__all__ = ["common_thirds", "strengths_of"]

HARMONICS = 4
ENGINE_SWELL = 0.10
"""Share by which the engine's own noise may swell under load beyond what its lines show (an assumption)."""
TONE_FROM, TONE_SHARE, TONE_USUAL, TONE_CALM = 3.0, 0.2, 1.6, 25.0
"""Times its usual power from which a narrow band counts as squealing; share of the loudest from which an
instant does; how far over its usual a band stands in an engine alone; and the percentile over time that is
called usual, low because a belt may squeal for half a recording (chosen on simulated pairs)."""
TONE_LEAST = 0.3
"""Share of the rise from which a narrow band squeals that it must reach in the mean."""
TONE_PARTS = 5
"""Narrow bands in a third octave."""
BURST_S, BURST_ERROR = 0.008, 0.1
"""Smoothing of bursts, and the error of their mean as a share of the engine's usual."""
CYCLE_REV, FEWEST_CYCLES = 2, 12
HISSING_WITHIN_DB = 4.0
FEWEST_STILL = 3
"""Blocks of a recording with the wheel at rest from which the others do not count for a growl."""


def strengths_of(
    scene: Scene,
    name: str,
    masks: Masks,
    beats: Beats | None,
    gain: FloatArray,
    *,
    order: float,
    lines: Mask | None,
    thirds: Mask | None = None,
) -> Strengths:
    """Give the powers of one symptom over its places.

    ``order``: where a whine stands still, ``lines``: at which orders of the beat a growl does (from
    ``beats.growl_lines``), ``thirds``: by which of its places it is told when it squeals (from
    :func:`common_thirds`; all without), the same for all recordings that are compared. ``beats``: from
    its long blocks, for a growl; ``gain``: from :func:`gain_db`.
    """
    rest = (masks.calm | masks.loud) & ~masks.stop
    ways: dict[str, Callable[[], Strengths]] = {
        "cavitation_groan": lambda: _swelling(scene, gain, masks.stop, masks.calm, 150.0, 8000.0),
        "relief_hiss": lambda: _swelling(
            scene, gain, _hissing(scene, gain, masks.stop), rest, 900.0, 12000.0
        ),
        "pump_whine": lambda: _lines(scene, gain, order, masks.loud),
        "belt_squeal": lambda: _squeals(scene, gain, thirds),
        "belt_chirp": lambda: _chirps(scene, gain),
        "bearing_growl": lambda: _growls(scene, gain, beats, lines, masks),
    }
    return ways[name]()


def common_thirds(before: Sequence[Strengths], after: Sequence[Strengths]) -> Mask:
    """Give the places of a squeal, shape (places,), that hold what the louder side holds of it in the mean.

    On the softer side other tones may be louder than the squeal; when it sounds is told by these alone.
    """
    powers = [
        np.nan_to_num([np.clip(s.power, 0.0, None) for s in side]).mean(axis=0) for side in (before, after)
    ]
    return belonging(np.array(powers))


def _swelling(
    scene: Scene, gain: FloatArray, loud: Mask, calm: Mask, low_hz: float, high_hz: float
) -> Strengths:
    """How far the power of each band rises from calm to loaded instants."""
    level = scene.level * (10.0 ** (-0.1 * gain))[:, None] * scene.level_hz * per_hz(scene)
    up, _ = segment_mean(level, loud)
    base, base_error = segment_mean(level, calm)
    longer = max(float(calm.sum()) / max(float(loud.sum()), 1.0), 1.0)
    power, error = up - base, base_error * math.sqrt(1.0 + longer) + ENGINE_SWELL * base
    inside = (scene.level_hz >= low_hz) & (scene.level_hz <= high_hz)
    return _on_bands(scene.level_hz[inside], power[inside], error[inside], BANDS_HZ)


def _hissing(scene: Scene, gain: FloatArray, stop: Mask) -> Mask:
    """The instants of the stops, shape (t,), in which the high bands are about as loud as they get there.

    A relief valve does not open at every stop, nor at once; how loud it is while it is open counts.
    """
    if stop.sum() < 8:
        return stop
    level = scene.band_db(1500.0, 9000.0) - gain
    return stop & (level > np.percentile(level[stop], 90.0) - HISSING_WITHIN_DB)


def _lines(scene: Scene, gain: FloatArray, order: float, loud: Mask) -> Strengths:
    """Power of the tones of an order and its multiples while loaded, less what the engine makes there."""
    hz = order * np.arange(1.0, HARMONICS + 0.5)
    power, error = np.full(HARMONICS, np.nan), np.full(HARMONICS, np.nan)
    angle = scene.angle
    if angle is None:
        return Strengths(hz, power, error)
    grid = angle.map_order
    when = np.interp(angle.map_time_s, scene.time_s, loud.astype(float)) > 0.5
    when = when if when.sum() >= 3 else np.ones(len(angle.map_power), bool)
    scaled = (angle.map_power * taken_out(gain, scene, angle.map_time_s)[:, None])[when]
    floor = scaled.mean(axis=0)
    near_half = half_order_distance(grid) < 0.15
    for k, middle in enumerate(hz):
        wide = 0.12 + 0.006 * middle
        if middle * 1.1 > grid[-1]:
            break
        around = (np.abs(grid - middle) < 2.6) & (np.abs(grid - middle) > wide + 0.1)
        mine = bool(half_order_distance(middle) < 0.15)
        usual = float(np.median(floor[around & (near_half == mine)])) * (1.0 if mine else 2.0)
        power[k] = float((scaled[:, np.abs(grid - middle) <= wide].max(axis=1) - usual).mean())
        error[k] = 0.5 * usual
    return Strengths(hz * float(np.nanmedian(scene.rpm)) / 60.0, power, error)


def _growls(
    scene: Scene, gain: FloatArray, beats: Beats | None, lines: Mask | None, masks: Masks
) -> Strengths:
    """How far the bands' power swings at the given lines, which lie away from the engine's half orders.

    While the wheel turns, tyres scrub; those blocks do not count where enough others are left.
    """
    if beats is None or lines is None or not lines.any():
        return Strengths(BEATS_HZ, np.full(len(BEATS_HZ), np.nan), np.full(len(BEATS_HZ), np.nan))
    turning = np.interp(beats.time_s, scene.time_s, (masks.loud & ~masks.stop).astype(float)) > 0.5
    calm = ~turning if masks.stated and (~turning).sum() >= FEWEST_STILL else np.ones(len(turning), bool)
    found = swing_at(scene, beats.without(gain, scene), lines, calm)
    inside = (found.hz >= GROWL_HZ[0]) & (found.hz <= GROWL_HZ[1])
    return _on_bands(found.hz[inside], found.power[inside], found.error[inside], BEATS_HZ)


def _on_bands(hz: FloatArray, power: FloatArray, error: FloatArray, places: FloatArray) -> Strengths:
    """Put values at the bands they belong to; NaN elsewhere."""
    out = np.full((2, len(places)), np.nan)
    for i, middle in enumerate(hz):
        out[:, int(np.argmin(np.abs(np.log(places / middle))))] = power[i], error[i]
    return Strengths(places, out[0], out[1])


def _squeals(scene: Scene, gain: FloatArray, thirds: Mask | None) -> Strengths:
    """Mean power of narrow bands, 1.1 to 10 kHz, over their usual while anything squeals, by third octaves.

    How long it squeals differs from recording to recording; how loud it is while it does, does not.
    ``thirds``: the places, shape (places,), by which it is told when it does; all without.
    """
    places = BANDS_HZ[(BANDS_HZ > 1100.0) & (BANDS_HZ < 10500.0)]
    power, error = np.full(len(places), np.nan), np.full(len(places), np.nan)
    if len(scene.tone) < 20:
        return Strengths(places, power, error)
    step = float(scene.tone_hz[1] - scene.tone_hz[0]) * 2.0 / scene.sample_rate_hz
    scaled = taken_out(gain, scene, scene.tone_time_s)[:, None] * step
    width = max(round(0.12 / float(scene.tone_time_s[1] - scene.tone_time_s[0])), 1)
    tracks, third = [], []
    for j, middle in enumerate(places):
        if middle * 2 ** (1 / 6) > scene.band_hz[1]:
            break
        edges = middle * 2.0 ** ((np.arange(TONE_PARTS + 1) / TONE_PARTS - 0.5) / 3.0)
        for low, high in itertools.pairwise(edges):
            inside = (scene.tone_hz >= low) & (scene.tone_hz < high)
            if inside.any():
                tracks.append(smooth((scene.tone[:, inside] * scaled).sum(axis=1), width))
                third.append(j)
    if not tracks:
        return Strengths(places, power, error)
    track, of = np.array(tracks), np.array(third)
    usual = np.percentile(track, TONE_CALM, axis=1)
    mine = np.ones(len(of), bool) if thirds is None else thirds[of]
    over = np.clip(track[mine] - TONE_FROM * usual[mine, None], 0.0, None).sum(axis=0)
    sounding = over > TONE_SHARE * np.percentile(over, 99.0)
    if sounding.sum() < 3:
        sounding = np.arange(len(over)) >= len(over) - 3
        sounding = sounding[np.argsort(np.argsort(over, kind="stable"), kind="stable")]
    mean = track[:, sounding].mean(axis=1) - TONE_USUAL * usual
    mean = np.where(mean > TONE_LEAST * (TONE_FROM - 1.0) * usual, mean, 0.0)
    for j in sorted(set(third)):
        power[j] = float(mean[of == j].sum())
        error[j] = 0.4 * math.sqrt(float((usual[of == j] ** 2).sum()))
    return Strengths(places, power, error)


def _chirps(scene: Scene, gain: FloatArray) -> Strengths:
    """Mean power of the high bands less their usual at that place of the engine's cycle.

    Valves and injectors tick at the same place of every cycle; bursts of a belt do not. The mean over the
    whole recording counts, not the loudest moments, for bursts differ in strength and length.
    """
    nothing = np.full(len(BEATS_HZ), np.nan)
    angle = scene.angle
    length = CYCLE_REV * PER_REV
    if angle is None or angle.revolutions < CYCLE_REV * FEWEST_CYCLES:
        return Strengths(BEATS_HZ, nothing, nothing)
    high = scene.beat_hz > 1700.0
    if not high.any():
        return Strengths(BEATS_HZ, nothing, nothing)
    hz = scene.beat_hz[high]
    time_s = (np.arange(len(scene.envelope)) + 0.5) / scene.envelope_rate_hz
    scaled = scene.envelope[:, high] * taken_out(gain, scene, time_s)[:, None]
    fast = smooth(scaled, max(int(scene.envelope_rate_hz * BURST_S), 1))
    turned = np.arange(int(angle.revolutions * PER_REV) - 1) / PER_REV
    at = angle.crank.time_at(turned) * scene.envelope_rate_hz - 4.0
    over_angle = fast[np.clip(at, 0, len(fast) - 1).astype(int)]
    cycles = over_angle[: len(over_angle) // length * length].reshape(-1, length, len(hz))
    usual = np.median(cycles, axis=0)
    width = hz * 0.4 * 2.0 / scene.sample_rate_hz
    power = (cycles.mean(axis=(0, 1)) - usual.mean(axis=0)) * width
    return _on_bands(hz, power, BURST_ERROR * usual.mean(axis=0) * width, BEATS_HZ)
