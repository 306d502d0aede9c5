"""What several symptoms need from one clip, computed once.

The scene holds four views of the same sound: levels of narrow bands over time (every 0.05 s), tones over
time (short transforms of some 43 ms), fast band envelopes over crank angle, and the low band over crank
angle. All power is relative to the mean power of the clip, so that a change of gain changes nothing; bands
beyond what the recording carries are left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.orders.angle import CrankAngle, crank_angle, resample_to_angle
from audiodiag.records import Clip, FloatArray, Phases, Quality, SpeedTrace, read_only
from audiodiag.symptoms.spectra import (
    TINY,
    Mask,
    bridge,
    decibels,
    half_order_distance,
    lines_above_floor,
    percentile,
    short_time_power,
    smooth,
)
from audiodiag.vehicle import Vehicle

__all__ = [
    "BEAT_EDGES_HZ",
    "TRACK_HOP_S",
    "AngleView",
    "Scene",
    "build_scene",
]

TRACK_HOP_S = 0.05
BEAT_EDGES_HZ = (300.0, 700.0, 1200.0, 2000.0, 3000.0, 4200.0, 5800.0, 8000.0, 11000.0, 15000.0)
LEVEL_EDGES_HZ = tuple(float(f) for f in 62.5 * 2.0 ** (np.arange(25) / 3.0))
LOW_SAMPLES_PER_REV = 160
HIGHEST_ORDER = 64.0
BEAT_SAMPLES_PER_REV = 48
BLOCK_REV = 40.0
WIDE_HZ = ((300.0, 8000.0), (2000.0, 15000.0))
SHORTEST_S = 1.0
SPEED_GAP_S = 0.6


@dataclass(frozen=True, eq=False)
class AngleView:
    """The sound over crank angle; present only where the speed is known.

    order: shape (k,), the grid of the low band's order spectrum; order_power: shape (k,), power in each
    line; order_blocks: shape (blocks, k). map_power, map_time_s: the same in short blocks, shape (m, j) and
    (m,), on map_order, shape (j,). beat: shape (r, bands), band envelopes over angle, each divided by its
    slow mean; beat_time_s: shape (r,). beat_order, beat_power: shape (q,) and (q, bands), power of the
    envelopes' lines, a line of modulation index m has power m squared at its top. averages: number of
    independent blocks behind order_power and beat_power. wide, wide_power: as beat and beat_power, for bands
    taken together, each weighed by its width, so that what is common to them stands out of their noise:
    0.3 to 8 kHz and 2 to 15 kHz, shape (r, 2) and (q, 2). comb_db: level of the engine's own lines over time,
    shape (m,). block_rev: length of the blocks, revolutions.
    """

    crank: CrankAngle
    revolutions: float
    order: FloatArray
    order_power: FloatArray
    averages: float
    map_order: FloatArray
    map_power: FloatArray
    map_time_s: FloatArray
    beat: FloatArray
    wide: FloatArray
    wide_power: FloatArray
    beat_time_s: FloatArray
    beat_order: FloatArray
    beat_power: FloatArray
    beat_blocks: FloatArray
    beat_block_time_s: FloatArray
    comb_db: FloatArray
    block_rev: float

    def near_engine(self, order: FloatArray) -> Mask:
        """Which orders lie within the width that a line of the engine's comb takes up in these blocks."""
        return np.asarray(half_order_distance(order) < 2.2 / self.block_rev + 0.002 * order)

    @property
    def order_step(self) -> float:
        """Spacing of the order grid."""
        return float(self.order[1] - self.order[0])

    @property
    def beat_step(self) -> float:
        """Spacing of the envelope's order grid."""
        return float(self.beat_order[1] - self.beat_order[0])


@dataclass(frozen=True, eq=False)
class Scene:
    """One clip prepared for the symptoms.

    time_s: shape (t,), every 0.05 s. level_hz: shape (b,), centres of third-octave bands within the
    recording's band; level: shape (t, b), mean power density in each, relative. beat_hz: centres of the
    envelope bands, shape (e,); envelope: shape (n, e) at envelope_rate_hz. tone_hz, tone_time_s, tone: power
    of the short transforms, shape (f,), (w,), (w, f). rpm: shape (t,), NaN where unknown. dip_percent: how
    far the speed lies below its usual, shape (t,). steering_load: shape (t,), 0 to 1 from the stated phases,
    None where they are unknown.
    """

    sample_rate_hz: int
    duration_s: float
    band_hz: tuple[float, float]
    usable: bool
    vehicle: Vehicle
    cylinders: int | None
    time_s: FloatArray
    level_hz: FloatArray
    level: FloatArray
    beat_hz: FloatArray
    envelope: FloatArray
    envelope_rate_hz: float
    tone_hz: FloatArray
    tone_time_s: FloatArray
    tone: FloatArray
    rpm: FloatArray
    dip_percent: FloatArray
    steering_load: FloatArray | None
    angle: AngleView | None

    def band_db(self, low_hz: float, high_hz: float) -> FloatArray:
        """Mean level over time of the narrow bands between two frequencies, dB, shape (t,); NaN if none.

        The mean of decibels follows the whole band and not only its loudest tone.
        """
        inside = (self.level_hz >= low_hz) & (self.level_hz <= high_hz)
        if not inside.any():
            return np.full(len(self.time_s), np.nan)
        return np.asarray(decibels(self.level[:, inside]).mean(axis=1))

    def power_between(self, low_hz: float, high_hz: float) -> FloatArray:
        """Mean square over time between two frequencies, relative to the whole clip's, shape (t,)."""
        inside = (self.level_hz >= low_hz) & (self.level_hz <= high_hz)
        width = self.level_hz * (2.0 ** (1 / 6) - 2.0 ** (-1 / 6)) * 2.0 / self.sample_rate_hz
        return np.asarray((self.level[:, inside] * width[inside]).sum(axis=1))

    @property
    def engine_power(self) -> float:
        """Power of the engine bay in its calmer stretches, 60 Hz upwards: what level_db refers to."""
        return (
            percentile(smooth(self.power_between(60.0, 16000.0), 10), 30.0) if self.usable else float("nan")
        )


def build_scene(
    clip: Clip,
    quality: Quality,
    speed: SpeedTrace,
    phases: Phases | None = None,
    vehicle: Vehicle | None = None,
) -> Scene:
    """Prepare one clip for the symptoms.

    Parameters
    ----------
    clip, quality:
        The sound and the band it can speak for.
    speed:
        Engine speed; where it is unknown the scene has no view over crank angle.
    phases:
        Steering phases, if anybody stated them.
    vehicle:
        The car as far as it is known.

    >>> noise = np.random.default_rng(1).standard_normal(32000).astype(np.float32)
    >>> none = np.zeros(0)
    >>> scene = build_scene(
    ...     Clip(noise, 16000, "noise", "", "pcm"),
    ...     Quality(True, (), (20.0, 8000.0)),
    ...     SpeedTrace("none", 0.0, none, none, none, none, none),
    ... )
    >>> scene.usable, scene.angle is None, scene.level.shape[0]
    (True, True, 40)
    """
    samples = np.asarray(clip.samples, dtype=np.float32)
    rate = int(clip.sample_rate_hz)
    samples = samples - samples.mean(dtype=np.float64).astype(np.float32) if len(samples) else samples
    power = float(np.mean(samples**2, dtype=np.float64)) if len(samples) else 0.0
    usable = len(samples) >= SHORTEST_S * rate and power > 1e-14
    if usable:
        samples = samples * np.float32(1.0 / np.sqrt(power))
    high = min(quality.band_hz[1], 0.49 * rate)
    band_hz = (max(quality.band_hz[0], 20.0), high)
    time_s = (np.arange(int(len(samples) / rate / TRACK_HOP_S)) + 0.5) * TRACK_HOP_S

    tone_hz, tone_time_s, tone = _tones(samples if usable else samples[:0], rate, high)
    rpm = _speed_at(speed, time_s)
    level_hz, level = _levels(tone_hz, tone_time_s, tone, time_s, band_hz)
    level = _without_speed(level, rpm)
    beat_hz, envelope, envelope_rate_hz = _envelopes(samples if usable else samples[:0], rate, band_hz)

    dip = _dip_percent(rpm)
    angle = None
    known = np.isfinite(rpm)
    if usable and known.sum() * TRACK_HOP_S >= SHORTEST_S:
        angle = _angle_view(samples, rate, speed, time_s, rpm, envelope, envelope_rate_hz, beat_hz)
    vehicle = vehicle or Vehicle()
    return Scene(
        sample_rate_hz=rate,
        duration_s=len(samples) / rate,
        band_hz=band_hz,
        usable=usable,
        vehicle=vehicle,
        cylinders=vehicle.cylinders or speed.cylinders,
        time_s=read_only(time_s),
        level_hz=read_only(level_hz),
        level=read_only(level),
        beat_hz=read_only(beat_hz),
        envelope=read_only(envelope),
        envelope_rate_hz=envelope_rate_hz,
        tone_hz=read_only(tone_hz),
        tone_time_s=read_only(tone_time_s),
        tone=read_only(tone),
        rpm=read_only(rpm),
        dip_percent=read_only(dip),
        steering_load=_stated_load(phases, time_s),
        angle=angle,
    )


def _tones(samples: FloatArray, rate: int, high_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Short transforms of 43 ms with half overlap: frequencies, times, power."""
    window = 2 * scipy.fft.next_fast_len(int(rate * 0.0213), real=True)
    hop = window // 2
    frequency = np.arange(window // 2 + 1) * rate / window
    kept = frequency <= high_hz
    parts = [part[:, kept] for part in short_time_power(samples, window, hop)]
    power = np.concatenate(parts) if parts else np.zeros((0, int(kept.sum())), np.float32)
    return frequency[kept], (np.arange(len(power)) * hop + window / 2) / rate, power


def _levels(
    tone_hz: FloatArray,
    tone_time_s: FloatArray,
    tone: FloatArray,
    time_s: FloatArray,
    band_hz: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """Mean power per band and 0.05 s: third-octave bands that hold a line at least and lie in the band."""
    edges = np.array(LEVEL_EDGES_HZ)
    centres, columns = [], []
    for low, high in itertools.pairwise(edges):
        inside = (tone_hz >= low) & (tone_hz < high)
        if not inside.any() or high > band_hz[1] * 1.02 or low < band_hz[0] * 0.8:
            continue
        centres.append(float(np.sqrt(low * high)))
        columns.append(tone[:, inside].mean(axis=1))
    if not columns or not len(tone_time_s):
        return np.zeros(0), np.zeros((len(time_s), 0))
    bands = smooth(np.column_stack(columns), 3)
    nearest = np.searchsorted((tone_time_s[:-1] + tone_time_s[1:]) / 2, time_s)
    return np.array(centres), np.maximum(bands[nearest], TINY)


def _without_speed(level: FloatArray, rpm: FloatArray) -> FloatArray:
    """Band powers less what the engine speed explains: up to 30 dB an octave, by least squares held small.

    Noise grows with speed; what is left is what steering, wind or people add. Where the speed hardly moves,
    nothing is taken away.
    """
    known = np.isfinite(rpm)
    if known.sum() < 40 or level.shape[1] == 0:
        return level
    octaves = np.log2(bridge(rpm) / np.median(rpm[known]))
    away = octaves[known] - octaves[known].mean()
    rise = decibels(level)
    variance = float((away**2).mean())
    slope = (away @ (rise[known] - rise[known].mean(axis=0))) / len(away) / (variance + 0.04**2)
    slope = np.clip(slope, 0.0, 30.0)
    return np.asarray(level * 10.0 ** (-0.1 * octaves[:, None] * slope))


def _envelopes(
    samples: FloatArray, rate: int, band_hz: tuple[float, float]
) -> tuple[FloatArray, FloatArray, float]:
    """Fast power envelopes of bands: windows of 5.3 ms, some 1500 values a second."""
    window = 2 * max(round(rate / 375.0), 8)
    hop = max(window // 8, 1)
    frequency = np.arange(window // 2 + 1) * rate / window
    centres, weights = [], []
    for low, high in itertools.pairwise(BEAT_EDGES_HZ):
        inside = (frequency >= low) & (frequency < high)
        if inside.sum() < 2 or high > band_hz[1] * 1.05 or low < band_hz[0] * 0.8:
            continue
        centres.append(float(np.sqrt(low * high)))
        weights.append(inside / inside.sum())
    if not weights:
        return np.zeros(0), np.zeros((0, 0), np.float32), rate / hop
    matrix = np.array(weights, dtype=np.float32).T
    parts = [part @ matrix for part in short_time_power(samples, window, hop)]
    envelope = np.concatenate(parts) if parts else np.zeros((0, len(centres)), np.float32)
    return np.array(centres), np.maximum(envelope, np.float32(TINY)), rate / hop


def _speed_at(speed: SpeedTrace, time_s: FloatArray) -> FloatArray:
    """Speed on the track's times, NaN further than 0.6 s from any known instant."""
    known = np.isfinite(speed.rpm) & (np.nan_to_num(speed.rpm) > 50.0)
    if not known.any() or not len(time_s):
        return np.full(len(time_s), np.nan)
    times, rpm = np.asarray(speed.time_s)[known], np.asarray(speed.rpm)[known]
    right = np.clip(np.searchsorted(times, time_s), 0, len(times) - 1)
    left = np.maximum(right - 1, 0)
    away = np.minimum(np.abs(times[right] - time_s), np.abs(times[left] - time_s))
    steady = speed.source in ("entered", "table")
    return np.where(steady | (away <= SPEED_GAP_S), np.interp(time_s, times, rpm), np.nan)


def _dip_percent(rpm: FloatArray) -> FloatArray:
    """How far the speed lies below the 70th percentile of the 16 s around, per cent, NaN where unknown."""
    if not np.isfinite(rpm).any():
        return np.full(len(rpm), np.nan)
    filled = bridge(rpm)
    half, usual = int(8.0 / TRACK_HOP_S), np.empty(len(rpm))
    for i in range(0, len(rpm), 10):
        usual[i : i + 10] = np.percentile(filled[max(i - half, 0) : i + half], 70.0)
    return np.asarray(100.0 * (usual - rpm) / usual)


def _stated_load(phases: Phases | None, time_s: FloatArray) -> FloatArray | None:
    """Steering load from stated phases: 0 in the centre, 0.6 turning, 1 at a stop, NaN between."""
    if phases is None or phases.source not in ("marked", "tabled") or not phases.spans:
        return None
    load = np.full(len(time_s), np.nan)
    weight = {"centre": 0.0, "turning": 0.6, "stop": 1.0}
    for span in phases.spans:
        load[(time_s >= span.start_s) & (time_s < span.end_s)] = weight[span.phase]
    return read_only(load)


def _angle_view(
    samples: FloatArray,
    rate: int,
    speed: SpeedTrace,
    time_s: FloatArray,
    rpm: FloatArray,
    envelope: FloatArray,
    envelope_rate_hz: float,
    beat_hz: FloatArray,
) -> AngleView | None:
    """Order spectra of the low band and of the envelopes, from the stretches where the speed is known."""
    known_speed = np.isfinite(speed.rpm) & (np.nan_to_num(speed.rpm) > 50.0)
    crank = crank_angle(np.asarray(speed.time_s)[known_speed], np.asarray(speed.rpm)[known_speed])
    duration = len(samples) / rate
    total = float(crank.rev_at(duration))
    if total < 12.0:
        return None
    block_rev = min(BLOCK_REV, float(int(total / 2.0)) * 1.0)
    low = resample_to_angle(
        samples,
        rate,
        crank.knot_s,
        crank.knot_rpm,
        samples_per_rev=LOW_SAMPLES_PER_REV,
        max_order=HIGHEST_ORDER,
    )
    known = np.isfinite(rpm)

    blocks, times, order = _welch(
        low.values[:, None], LOW_SAMPLES_PER_REV, block_rev, 0.5, crank, HIGHEST_ORDER
    )
    good = _known_blocks(times, known, block_rev, crank)
    if not good.any():
        return None
    order_power = blocks[good, :, 0].mean(axis=0)
    averages = max(1.0, 0.55 * float(good.sum()) + 0.45)
    map_power, map_times, map_order = _welch(
        low.values[:, None], LOW_SAMPLES_PER_REV, min(10.0, block_rev), 0.6, crank, HIGHEST_ORDER
    )
    map_good = _known_blocks(map_times, known, 10.0, crank)

    beat_rev = np.arange(int(total * BEAT_SAMPLES_PER_REV) - 1) / BEAT_SAMPLES_PER_REV
    beat_time = crank.time_at(beat_rev)
    beat = _relative_envelopes(envelope, envelope_rate_hz, beat_time)
    wide = np.column_stack([_together(beat, beat_hz, low, high) for low, high in WIDE_HZ])
    bands = beat.shape[1]
    beat_blocks, beat_times, beat_order = _welch(
        np.hstack([beat, wide]), BEAT_SAMPLES_PER_REV, block_rev, 0.5, crank, BEAT_SAMPLES_PER_REV / 2 - 2
    )
    beat_good = _known_blocks(beat_times, known, block_rev, crank)
    if not beat_good.any() or not map_good.any():
        return None
    return AngleView(
        crank=crank,
        revolutions=total,
        order=read_only(order),
        order_power=read_only(order_power),
        averages=averages,
        map_order=read_only(map_order),
        map_power=read_only(map_power[map_good, :, 0]),
        map_time_s=read_only(map_times[map_good]),
        beat=read_only(beat),
        beat_time_s=read_only(beat_time),
        beat_order=read_only(beat_order),
        beat_power=read_only(beat_blocks[beat_good][:, :, :bands].mean(axis=0)),
        wide=read_only(wide),
        wide_power=read_only(beat_blocks[beat_good][:, :, bands:].mean(axis=0)),
        beat_blocks=read_only(beat_blocks[beat_good][:, :, :bands]),
        block_rev=block_rev,
        comb_db=read_only(_comb_db(map_power[map_good, :, 0], map_order)),
        beat_block_time_s=read_only(beat_times[beat_good]),
    )


def _relative_envelopes(envelope: FloatArray, rate_hz: float, time_s: FloatArray) -> FloatArray:
    """Amplitude envelopes over angle, divided by their mean over some 12 revolutions, less 1, held at 5."""
    amplitude = np.sqrt(envelope)
    at = np.clip(time_s * rate_hz - 4.0, 0, len(amplitude) - 1.001)
    index = at.astype(int)
    part = (at - index)[:, None].astype(np.float32)
    values = amplitude[index] * (1 - part) + amplitude[np.minimum(index + 1, len(amplitude) - 1)] * part
    slow = smooth(smooth(values, 8 * BEAT_SAMPLES_PER_REV + 1), 8 * BEAT_SAMPLES_PER_REV + 1)
    return np.asarray(np.minimum(values / np.maximum(slow, 1e-10), 6.0) - 1.0)


def _together(beat: FloatArray, beat_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Mean of the relative envelopes of the bands between two frequencies, weighed by their width."""
    inside = (beat_hz > low_hz) & (beat_hz < high_hz)
    if not inside.any():
        return np.zeros(len(beat), np.float32)
    weight = (beat_hz * inside / (beat_hz * inside).sum()).astype(np.float32)
    return np.asarray(beat @ weight)


def _comb_db(map_power: FloatArray, map_order: FloatArray) -> FloatArray:
    """Level of the engine's lines over time: mean of its eight strongest half orders up to 12, dB."""
    lines = [
        map_power[:, np.abs(map_order - order) < 0.11].max(axis=1) for order in np.arange(1.0, 12.1, 0.5)
    ]
    strongest = np.argsort([-float(np.median(line)) for line in lines])[:8]
    return smooth(np.mean([decibels(lines[i]) for i in strongest], axis=0), 5)


def _welch(
    values: FloatArray, per_rev: int, block_rev: float, overlap: float, crank: CrankAngle, top: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Power of the lines of overlapping blocks, shape (blocks, orders, columns); mid times; orders.

    Blocks are padded to twice their length; a sine of amplitude a gives a line of a squared.
    """
    length = min(int(block_rev * per_rev), len(values))
    hop = max(int(length * (1.0 - overlap)), 1)
    starts = np.arange(0, len(values) - length + 1, hop)
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    scale = np.float32(2.0 / window.sum())
    size = scipy.fft.next_fast_len(2 * length, real=True)
    order = np.arange(size // 2 + 1) * per_rev / size
    kept = order <= top
    power = np.empty((len(starts), int(kept.sum()), values.shape[1]), np.float32)
    for i, start in enumerate(starts):
        block = values[start : start + length].astype(np.float32)
        block = (block - block.mean(axis=0)) * (window * scale)[:, None]
        lines = scipy.fft.rfft(block, size, axis=0)[kept]
        power[i] = lines.real**2 + lines.imag**2
    return power, crank.time_at((starts + length / 2) / per_rev), order[kept]


def _known_blocks(times: FloatArray, known: FloatArray, block_rev: float, crank: CrankAngle) -> FloatArray:
    """Which blocks lie where at least 80 % of the time the speed is known."""
    half = 0.5 * block_rev / (crank.rpm_at(times) / 60.0)
    count = np.concatenate([[0], np.cumsum(known)])
    first = np.clip(((times - half) / TRACK_HOP_S).astype(int), 0, len(known))
    last = np.clip(((times + half) / TRACK_HOP_S).astype(int), 0, len(known))
    return np.asarray((count[last] - count[first]) >= 0.8 * np.maximum(last - first, 1))


def engine_comb_db(angle: AngleView, highest: float = 32.0) -> FloatArray:
    """Level of every half order above its surroundings, dB, shape (2 * highest,): orders 0.5, 1, 1.5 ..."""
    excess = lines_above_floor(angle.order_power, int(1.25 / angle.order_step), angle.averages)
    lattice = np.arange(0.5, min(highest, angle.order[-1] - 1.0) + 0.01, 0.5)
    near = half_order_distance(angle.order) < 0.05
    levels = np.full(len(lattice), np.nan)
    index = np.round(angle.order * 2).astype(int) - 1
    for i in range(len(lattice)):
        mine = near & (index == i)
        if mine.any():
            levels[i] = excess[mine].max()
    return levels
