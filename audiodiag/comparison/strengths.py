"""How strong is one symptom in each band of one recording, and how strong is the engine there?

Both are powers relative to the whole recording, with the phone's moving gain taken out by the engine's own
lines. Each symptom is parted from the rest by what marks it: groan and hiss by swelling with the steering,
whine by its order, squeal by its wandering tones, chirp and growl by the beat of their bursts. The engine is
parted from yard, wind and phone by its lines at half orders (low bands) and by its beat at half orders (high
bands): what does not keep the engine's time is not the engine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, Phases, read_only
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import TINY, half_order_distance, smooth

__all__ = ["BANDS_HZ", "BEATS_HZ", "Beats", "Masks", "Strengths", "beats_of", "engine_bands", "gain_db"]
__all__ += ["common_beat_lines", "masks_of", "strengths_of"]

Mask = NDArray[np.bool_]

BANDS_HZ: FloatArray = 62.5 * 2.0 ** ((np.arange(24) + 0.5) / 3.0)
"""Middles of the third-octave bands, Hz."""
_EDGES_HZ = np.array([300.0, 700.0, 1200.0, 2000.0, 3000.0, 4200.0, 5800.0, 8000.0, 11000.0, 15000.0])
BEATS_HZ: FloatArray = np.sqrt(_EDGES_HZ[:-1] * _EDGES_HZ[1:])
"""Middles of the bands whose envelopes beat, Hz."""
HARMONICS = 4
EDGE_S = 0.15
SEGMENT_S = 0.5
ENGINE_SWELL = 0.10
"""Share by which the engine's own noise may swell under load beyond what its lines show (an assumption)."""
BEAT_SURE = 3.0
"""Standard errors of a band's beat from which the engine is heard in it."""
CLEAR_BEAT_DB = 3.0
"""Height of a beat over its surroundings, mean of the bands, from which it counts as one."""
CLEAR_LINE, CLEAR_BEAT = 5.0, 1.5
"""Height of a line, and of a beat, over the gap beside it, as a power ratio, from which it shows the gain."""
LOUDEST_PERCENT, LOUDEST_USUAL = 95.0, 1.6
"""Percentile of the loudest moments, and how far over its usual it stands in an engine alone (an "
"assumption)."""
LOUD_SHARE, CALM_SHARE, CALM_PERCENT = 75.0, 40.0, 35.0
BLOCK_REV = 12
PER_REV = 48
ORDER_BANDS: FloatArray = 2.0 * 2.0 ** (np.arange(14) / 3.0)
"""Middles of the third octaves of order in which the engine's lines are taken, 2 to 40."""
LINES_UP_TO_HZ = 600.0
"""Above it the engine's lines run into each other when the speed hunts, and its beat is taken."""


@dataclass(frozen=True, eq=False)
class Strengths:
    """Powers at places along frequency, with their standard errors.

    hz: shape (k,), where. power: shape (k,), relative to the recording's; it may be negative by chance, NaN
    where the recording does not carry the place. error: shape (k,), from segments of the recording.
    """

    hz: FloatArray
    power: FloatArray
    error: FloatArray


@dataclass(frozen=True, eq=False)
class Masks:
    """Which instants of a scene, shape (t,), are loaded by the steering, held at a stop, and calm."""

    loud: Mask
    stop: Mask
    calm: Mask
    stated: bool


@dataclass(frozen=True, eq=False)
class Beats:
    """Order spectra of the band envelopes.

    hz: shape (bands,). order: shape (q,). power: shape (blocks, q, bands), absolute. time_s: shape (blocks,).
    """

    hz: FloatArray
    order: FloatArray
    power: FloatArray
    time_s: FloatArray


def masks_of(scene: Scene, phases: Phases, within: Mask, gain: FloatArray) -> Masks:
    """Give loaded, held and calm instants; ``within``: shape (t,), the instants that may count at all;
    ``gain``: from
    :func:`gain_db`.

    Where nobody stated the phases, the louder quarter and the calmer two fifths of the noise stand in.
    """
    count = len(scene.time_s)
    loud, stop, calm = np.zeros(count, bool), np.zeros(count, bool), np.zeros(count, bool)
    stated = phases.source in ("marked", "tabled")
    if stated:
        for span in phases.spans:
            inside = (scene.time_s >= span.start_s + EDGE_S) & (scene.time_s < span.end_s - EDGE_S / 2)
            (calm if span.phase == "centre" else loud)[inside] = True
            if span.phase == "stop":
                stop[inside] = True
        stated = bool((loud & within).sum() >= 10 and (calm & within).sum() >= 10)
    if not stated and within.any():
        track = smooth(scene.band_db(400.0, 9000.0), 7) - gain
        track = np.where(np.isfinite(track), track, 0.0)
        loud = track >= np.percentile(track[within], LOUD_SHARE)
        calm = track <= np.percentile(track[within], CALM_SHARE)
        stop = loud
    return Masks(loud & within, stop & within, calm & within, stated)


def gain_db(scene: Scene, beats: Beats | None) -> FloatArray:
    """Level of the engine over time, dB, less its median, shape (t,): the phone's gain shows in it.

    It is the median course of the engine's clear lines at half orders and of its clear beats at half orders
    in the bands above; what lies beside them is taken off, so that noise does not pass for gain. Zero where
    there are too few. That the engine itself grows louder under the steering's load goes out with it.
    """
    tracks = [*_line_tracks(scene), *_beat_tracks(scene, beats)]
    if len(tracks) < 3:
        return np.zeros(len(scene.time_s))
    track = 10.0 * np.log10(np.maximum(smooth(np.median(np.array(tracks), axis=0), 5), 1e-3))
    return np.asarray(track - np.median(track))


def _line_tracks(scene: Scene) -> list[FloatArray]:
    """Relative power over time of each clear half-order line, shape (t,) each."""
    angle = scene.angle
    if angle is None:
        return []
    order, power = angle.map_order, angle.map_power
    tracks = []
    for middle in np.arange(0.5, 20.1, 0.5):
        near = np.abs(order - middle) < 0.11
        beside = (np.abs(np.abs(order - middle) - 0.25) < 0.03) & (order > 0.2)
        if not near.any() or not beside.any():
            continue
        floor = smooth(power[:, beside].mean(axis=1), 3)
        line = power[:, near].max(axis=1) - floor
        if np.median(line) > CLEAR_LINE * np.median(floor):
            relative = np.maximum(line / np.median(line), 0.05)
            tracks.append(np.interp(scene.time_s, angle.map_time_s, relative))
    return tracks


def _beat_tracks(scene: Scene, beats: Beats | None) -> list[FloatArray]:
    """Relative power over time with which each band clearly beats at half orders, shape (t,) each."""
    if beats is None:
        return []
    engine, beside = _engine_orders(beats)
    floor = beats.power[:, beside].mean(axis=1)
    each = (beats.power[:, engine] - floor[:, None]).mean(axis=1)
    tracks = []
    for j in range(each.shape[1]):
        usual = float(np.median(each[:, j]))
        if usual > CLEAR_BEAT * float(np.median(floor[:, j])):
            relative = np.sqrt(np.maximum(each[:, j] / usual, 0.0025))
            tracks.append(np.interp(scene.time_s, beats.time_s, relative))
    return tracks


def _engine_orders(beats: Beats) -> tuple[Mask, Mask]:
    """Which orders of the beats are the engine's half orders, and which lie well beside them."""
    inside = (beats.order > 0.4) & (beats.order < 8.2)
    distance = half_order_distance(beats.order)
    return inside & (distance < 0.06), inside & (distance > 0.2)


def strengths_of(
    scene: Scene,
    name: str,
    masks: Masks,
    beats: Beats | None,
    gain: FloatArray,
    *,
    order: float,
    lines: Mask | None,
) -> Strengths:
    """Give the powers of one symptom over its places.

    ``order``: where a whine stands still, ``lines``: at which orders of the beat a chirp or growl does (from
    :func:`common_beat_lines`), the same for all recordings that are compared. ``beats``: from
    :func:`beats_of`; ``gain``: from :func:`gain_db`.
    """
    rest = (masks.calm | masks.loud) & ~masks.stop
    ways: dict[str, Callable[[], Strengths]] = {
        "cavitation_groan": lambda: _swelling(scene, gain, masks.loud, masks.calm, 150.0, 8000.0),
        "relief_hiss": lambda: _swelling(scene, gain, masks.stop, rest, 900.0, 12000.0),
        "pump_whine": lambda: _lines(scene, gain, order, masks.loud),
        "belt_squeal": lambda: _tone_bursts(scene, gain),
        "belt_chirp": lambda: _noise_bursts(scene, gain),
        "bearing_growl": lambda: _beating(scene, gain, beats, lines, 700.0, 8000.0),
    }
    return ways[name]()


def common_beat_lines(all_beats: Sequence[Beats], low_hz: float, high_hz: float) -> Mask | None:
    """Give the lines, shape (q,), at which the bands beat clearly on one recording or another, not the
    engine's.

    Belts, pulleys and bearings repeat at orders that no engine has; which ones need not be known. None where
    no recording has beats.
    """
    if not all_beats:
        return None
    best = np.full(len(all_beats[0].order), -np.inf)
    for beats in all_beats:
        mean = beats.power.mean(axis=0)[:, (beats.hz >= low_hz) & (beats.hz <= high_hz)]
        if not mean.shape[1]:
            continue
        free = _free_orders(beats.order)
        level = np.log(np.maximum(mean, 1e-40))
        floor = np.array(
            [np.median(level[free & (np.abs(beats.order - min(o, 13.0)) < 1.5)], axis=0) for o in beats.order]
        )
        best = np.maximum(best, 10.0 / math.log(10.0) * (level - floor).mean(axis=1))
    lines = (best > CLEAR_BEAT_DB) & _free_orders(all_beats[0].order)
    return _widened(lines, 1) & _free_orders(all_beats[0].order) if lines.any() else lines


def engine_bands(scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray) -> Strengths:
    """Give the engine's own power along frequency: its half-order lines below 600 Hz, its calm noise above.

    Above 600 Hz a band counts only where its power clearly beats at half orders, so that it is the engine and
    not the yard that is heard there. The beat itself would be a worse ruler: a room's echo fills it up.
    """
    low, high = _engine_lines(scene, gain), _engine_noise(scene, masks, beats, gain)
    return Strengths(
        *(
            read_only(np.concatenate([getattr(low, key), getattr(high, key)]))
            for key in ("hz", "power", "error")
        )
    )


def _engine_noise(scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray) -> Strengths:
    """Calm power of the bands that beat with the engine; a band that hardly does gets a large error.

    The lower third of the calm instants stands for the engine, so that bursts and tones do not.
    """
    places = BANDS_HZ[BANDS_HZ >= LINES_UP_TO_HZ]
    power, error = np.full(len(places), np.nan), np.full(len(places), np.nan)
    if beats is None or masks.calm.sum() < 4:
        return Strengths(places, power, error)
    swing = _engine_beats(scene, masks, beats, gain)
    sure = np.interp(np.log(scene.level_hz), np.log(swing.hz), swing.power / np.maximum(swing.error, TINY))
    level = scene.level * _taken_out(gain, scene, scene.time_s)[:, None] * scene.level_hz * _per_hz(scene)
    base = np.percentile(level[masks.calm], CALM_PERCENT, axis=0)
    _, scatter = _segment_mean(level, masks.calm)
    for i, hz in enumerate(scene.level_hz):
        j = int(np.argmin(np.abs(np.log(places / hz))))
        if abs(np.log(places[j] / hz)) < 0.05:
            power[j] = base[i]
            error[j] = min(scatter[i], 0.3 * base[i]) + (0.0 if sure[i] > BEAT_SURE else base[i])
    return Strengths(places, power, error)


def _per_hz(scene: Scene) -> float:
    """What turns the density of a band into its power, times its middle in Hz: a third octave's width."""
    return 0.23 * 2.0 / scene.sample_rate_hz


def beats_of(scene: Scene) -> Beats | None:
    """Give short order spectra of the envelopes of all bands."""
    angle = scene.angle
    if angle is None or scene.beat_hz.size == 0 or angle.revolutions < 2 * BLOCK_REV:
        return None
    turned = np.arange(int(angle.revolutions * PER_REV) - 1) / PER_REV
    time_s = angle.crank.time_at(turned)
    at = np.clip(time_s * scene.envelope_rate_hz - 4.0, 0, len(scene.envelope) - 1.001)
    index = at.astype(int)
    part = (at - index)[:, None].astype(np.float32)
    last = np.minimum(index + 1, len(scene.envelope) - 1)
    values = scene.envelope[index] * (1 - part) + scene.envelope[last] * part
    length = BLOCK_REV * PER_REV
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window *= np.float32(2.0 / window.sum())
    starts = np.arange(0, len(values) - length + 1, length // 3)
    power = []
    for start in starts:
        block = values[start : start + length]
        spectrum = np.fft.rfft((block - block.mean(axis=0)) * window[:, None], 2 * length, axis=0)
        power.append((spectrum.real**2 + spectrum.imag**2)[: 2 * 16 * BLOCK_REV])
    order = np.arange(2 * 16 * BLOCK_REV) / (2.0 * BLOCK_REV)
    return Beats(np.asarray(scene.beat_hz), order, np.array(power), time_s[starts + length // 2])


def _engine_lines(scene: Scene, gain: FloatArray) -> Strengths:
    """Power of the half orders by third octaves of order, so that the same lines count at any speed."""
    angle = scene.angle
    nothing = np.full(len(ORDER_BANDS), np.nan)
    if angle is None:
        return Strengths(ORDER_BANDS, nothing, nothing)
    speed_hz = float(np.nanmedian(scene.rpm)) / 60.0
    power, error = nothing.copy(), nothing.copy()
    near = half_order_distance(angle.map_order) < 0.11
    scaled = angle.map_power * _taken_out(gain, scene, angle.map_time_s)[:, None]
    for i, middle in enumerate(ORDER_BANDS):
        inside = np.abs(np.log2(np.maximum(angle.map_order, 1e-3) / middle)) <= 1.0 / 6.0
        lines, gaps = inside & near, inside & ~near
        if middle * speed_hz < max(scene.band_hz[0], 60.0) or lines.sum() < 2 or gaps.sum() < 1:
            continue
        each = scaled[:, lines].sum(axis=1) - scaled[:, gaps].mean(axis=1) * lines.sum()
        power[i] = each.mean()
        error[i] = each.std() / np.sqrt(max(len(each) / 3.0, 1.0))
    return Strengths(ORDER_BANDS * speed_hz, power, error)


def _taken_out(gain: FloatArray, scene: Scene, time_s: FloatArray) -> FloatArray:
    """What takes the gain out of powers at other times."""
    return 10.0 ** (-0.1 * np.interp(time_s, scene.time_s, gain))


def _engine_beats(scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray) -> Strengths:
    if beats is None:
        return Strengths(np.zeros(0), np.zeros(0), np.zeros(0))
    calm = np.interp(beats.time_s, scene.time_s, masks.calm.astype(float)) > 0.5
    power = beats.power * _taken_out(gain, scene, beats.time_s)[:, None, None] ** 2
    blocks = power[calm] if calm.sum() >= 4 else power
    engine, beside = _engine_orders(beats)
    return _swing(scene, blocks, engine, beside)


def _swing(scene: Scene, blocks: FloatArray, mine: Mask, beside: Mask) -> Strengths:
    """Root of what the lines stand above what lies beside them: how far the band's power swings."""
    floor = blocks[:, beside].mean(axis=1)
    lines = float(mine.sum())
    mean = (blocks[:, mine] - floor[:, None]).sum(axis=1).mean(axis=0)
    noise = floor.mean(axis=0) * math.sqrt(lines / max(len(blocks) / 2.5, 1.0)) + 0.05 * lines * floor.mean(
        axis=0
    )
    root = np.sign(mean) * np.sqrt(np.abs(mean))
    slope = 0.5 / np.sqrt(np.maximum(np.abs(mean), noise) + TINY**2)
    width = scene.beat_hz * 0.4 * 2.0 / scene.sample_rate_hz
    return Strengths(np.asarray(scene.beat_hz), root * width, noise * slope * width)


def _beating(
    scene: Scene, gain: FloatArray, beats: Beats | None, lines: Mask | None, low_hz: float, high_hz: float
) -> Strengths:
    """How far the bands' power swings at the given lines, which lie away from the engine's half orders."""
    inside = (scene.beat_hz >= low_hz) & (scene.beat_hz <= high_hz)
    if beats is None or lines is None or not lines.any():
        return Strengths(BEATS_HZ, np.full(len(BEATS_HZ), np.nan), np.full(len(BEATS_HZ), np.nan))
    power = beats.power * _taken_out(gain, scene, beats.time_s)[:, None, None] ** 2
    beside = _free_orders(beats.order) & ~_widened(lines, 2)
    found = _swing(scene, power, lines, beside)
    return _on_bands(found.hz[inside], found.power[inside], found.error[inside], BEATS_HZ)


def _free_orders(order: FloatArray) -> Mask:
    """Orders of a beat that are not the engine's: away from the half orders, where blocks still part them."""
    return (half_order_distance(order) > 0.14) & (order > 0.15) & (order < 14.0)


def _widened(mask: Mask, by: int) -> Mask:
    out = mask.copy()
    for step in range(1, by + 1):
        out[step:] |= mask[:-step]
        out[:-step] |= mask[step:]
    return out


def _swelling(
    scene: Scene, gain: FloatArray, loud: Mask, calm: Mask, low_hz: float, high_hz: float
) -> Strengths:
    """How far the power of each band rises from calm to loaded instants."""
    level = scene.level * (10.0 ** (-0.1 * gain))[:, None] * scene.level_hz * _per_hz(scene)
    up, _ = _segment_mean(level, loud)
    base, base_error = _segment_mean(level, calm)
    longer = max(float(calm.sum()) / max(float(loud.sum()), 1.0), 1.0)
    power, error = up - base, base_error * math.sqrt(1.0 + longer) + ENGINE_SWELL * base
    inside = (scene.level_hz >= low_hz) & (scene.level_hz <= high_hz)
    return _on_bands(scene.level_hz[inside], power[inside], error[inside], BANDS_HZ)


def _on_bands(hz: FloatArray, power: FloatArray, error: FloatArray, places: FloatArray) -> Strengths:
    """Put values at the bands they belong to; NaN elsewhere."""
    out = np.full((2, len(places)), np.nan)
    for i, middle in enumerate(hz):
        out[:, int(np.argmin(np.abs(np.log(places / middle))))] = power[i], error[i]
    return Strengths(places, out[0], out[1])


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
    scaled = (angle.map_power * _taken_out(gain, scene, angle.map_time_s)[:, None])[when]
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


def _tone_bursts(scene: Scene, gain: FloatArray) -> Strengths:
    """Power of narrow bands, 1.1 to 10 kHz, in their loudest moments over their usual, by third octaves."""
    places = BANDS_HZ[(BANDS_HZ > 1100.0) & (BANDS_HZ < 10500.0)]
    power, error = np.full(len(places), np.nan), np.full(len(places), np.nan)
    if len(scene.tone) < 20:
        return Strengths(places, power, error)
    step = float(scene.tone_hz[1] - scene.tone_hz[0]) * 2.0 / scene.sample_rate_hz
    scaled = _taken_out(gain, scene, scene.tone_time_s)[:, None] * step
    frame_s = float(scene.tone_time_s[1] - scene.tone_time_s[0])
    for j, middle in enumerate(places):
        if middle * 2 ** (1 / 6) > scene.band_hz[1]:
            break
        power[j] = error[j] = 0.0
        for part in range(-2, 3):
            low = middle * 2.0 ** ((2 * part - 1) / 30.0)
            inside = (scene.tone_hz >= low) & (scene.tone_hz < low * 2.0 ** (1 / 15.0))
            if inside.any():
                track = smooth((scene.tone[:, inside] * scaled).sum(axis=1), max(round(0.12 / frame_s), 1))
                usual = float(np.median(track))
                power[j] += float(np.percentile(track, LOUDEST_PERCENT)) - LOUDEST_USUAL * usual
                error[j] += usual**2
        error[j] = 0.4 * math.sqrt(error[j])
    return Strengths(places, power, error)


def _noise_bursts(scene: Scene, gain: FloatArray) -> Strengths:
    """Power of the high bands in their loudest hundredths of a second over their usual."""
    power, error = np.full(len(BEATS_HZ), np.nan), np.full(len(BEATS_HZ), np.nan)
    every = max(round(scene.envelope_rate_hz / 125.0), 1)
    count = len(scene.envelope) // every
    if count < 100:
        return Strengths(BEATS_HZ, power, error)
    slow = scene.envelope[: count * every].reshape(count, every, -1).mean(axis=1)
    time_s = (np.arange(count) + 0.5) * every / scene.envelope_rate_hz
    slow = slow * (
        _taken_out(gain, scene, time_s)[:, None] * scene.beat_hz * 0.4 * 2.0 / scene.sample_rate_hz
    )
    for i, hz in enumerate(scene.beat_hz):
        j = int(np.argmin(np.abs(np.log(BEATS_HZ / hz))))
        if hz > 1700.0:
            usual = float(np.median(slow[:, i]))
            power[j] = float(np.percentile(slow[:, i], LOUDEST_PERCENT)) - LOUDEST_USUAL * usual
            error[j] = 0.4 * usual
    return Strengths(BEATS_HZ, power, error)


def _segment_mean(values: FloatArray, chosen: Mask) -> tuple[FloatArray, FloatArray]:
    """Mean over the chosen instants and its standard error from segments of half a second, shapes "
    "(bands,)."""
    places = np.flatnonzero(chosen)
    if len(places) < 4:
        nothing = np.full(values.shape[1], np.nan)
        return nothing, nothing
    size = max(int(SEGMENT_S / 0.05), 1)
    groups = np.array_split(places, max(len(places) // size, 2))
    means = np.array([values[g].mean(axis=0) for g in groups])
    return values[places].mean(axis=0), means.std(axis=0, ddof=1) / np.sqrt(len(groups))
