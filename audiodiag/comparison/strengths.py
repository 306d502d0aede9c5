"""How strong is the engine in each band of one recording, and which of its instants are loaded or calm?

All powers are relative to the whole recording, with the phone's moving gain taken out by the engine's own
lines. The engine is parted from yard, wind and phone by its lines at half orders (low bands) and by its beat
at half orders (high bands): what does not keep the engine's time is not the engine. `sounds` parts the
symptoms from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, Phases, read_only
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import TINY, half_order_distance, smooth

__all__ = [
    "BANDS_HZ",
    "BEATS_HZ",
    "Beats",
    "Mask",
    "Masks",
    "Strengths",
    "beats_of",
    "engine_bands",
    "gain_db",
]
__all__ += ["masks_of", "per_hz", "segment_mean", "swing", "taken_out"]

Mask = NDArray[np.bool_]

BANDS_HZ: FloatArray = 62.5 * 2.0 ** ((np.arange(24) + 0.5) / 3.0)
"""Middles of the third-octave bands, Hz."""
_EDGES_HZ = np.array([300.0, 700.0, 1200.0, 2000.0, 3000.0, 4200.0, 5800.0, 8000.0, 11000.0, 15000.0])
BEATS_HZ: FloatArray = np.sqrt(_EDGES_HZ[:-1] * _EDGES_HZ[1:])
"""Middles of the bands whose envelopes beat, Hz."""
EDGE_S = 0.15
SEGMENT_S = 0.5
BEAT_SURE = 3.0
"""Standard errors of a band's beat from which the engine is heard in it."""
CLEAR_LINE, CLEAR_BEAT = 5.0, 1.5
"""Height of a line, and of a beat, over the gap beside it, as a power ratio, from which it shows the gain."""
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
    level = scene.level * taken_out(gain, scene, scene.time_s)[:, None] * scene.level_hz * per_hz(scene)
    base = np.percentile(level[masks.calm], CALM_PERCENT, axis=0)
    _, scatter = segment_mean(level, masks.calm)
    for i, hz in enumerate(scene.level_hz):
        j = int(np.argmin(np.abs(np.log(places / hz))))
        if abs(np.log(places[j] / hz)) < 0.05:
            power[j] = base[i]
            error[j] = min(scatter[i], 0.3 * base[i]) + (0.0 if sure[i] > BEAT_SURE else base[i])
    return Strengths(places, power, error)


def per_hz(scene: Scene) -> float:
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
    scaled = angle.map_power * taken_out(gain, scene, angle.map_time_s)[:, None]
    for i, middle in enumerate(ORDER_BANDS):
        inside = np.abs(np.log2(np.maximum(angle.map_order, 1e-3) / middle)) <= 1.0 / 6.0
        lines, gaps = inside & near, inside & ~near
        if middle * speed_hz < max(scene.band_hz[0], 60.0) or lines.sum() < 2 or gaps.sum() < 1:
            continue
        each = scaled[:, lines].sum(axis=1) - scaled[:, gaps].mean(axis=1) * lines.sum()
        power[i] = each.mean()
        error[i] = each.std() / np.sqrt(max(len(each) / 3.0, 1.0))
    return Strengths(ORDER_BANDS * speed_hz, power, error)


def taken_out(gain: FloatArray, scene: Scene, time_s: FloatArray) -> FloatArray:
    """What takes the gain out of powers at other times."""
    return 10.0 ** (-0.1 * np.interp(time_s, scene.time_s, gain))


def _engine_beats(scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray) -> Strengths:
    if beats is None:
        return Strengths(np.zeros(0), np.zeros(0), np.zeros(0))
    calm = np.interp(beats.time_s, scene.time_s, masks.calm.astype(float)) > 0.5
    power = beats.power * taken_out(gain, scene, beats.time_s)[:, None, None] ** 2
    blocks = power[calm] if calm.sum() >= 4 else power
    engine, beside = _engine_orders(beats)
    return swing(scene, blocks, engine, beside)


def swing(scene: Scene, blocks: FloatArray, mine: Mask, beside: Mask) -> Strengths:
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


def segment_mean(values: FloatArray, chosen: Mask) -> tuple[FloatArray, FloatArray]:
    """Mean over the chosen instants and its standard error from half seconds, shapes (bands,)."""
    places = np.flatnonzero(chosen)
    if len(places) < 4:
        nothing = np.full(values.shape[1], np.nan)
        return nothing, nothing
    size = max(int(SEGMENT_S / 0.05), 1)
    groups = np.array_split(places, max(len(places) // size, 2))
    means = np.array([values[g].mean(axis=0) for g in groups])
    return values[places].mean(axis=0), means.std(axis=0, ddof=1) / np.sqrt(len(groups))
