"""What several symptoms need from one clip, computed once.

The scene holds six views of the same sound: levels of narrow bands over time (every 0.05 s), tones over
time (short transforms of some 43 ms), fast band envelopes over crank angle, the low band over crank angle,
the tones that may be the pump's, and what swells over the calm. All power is relative to the mean power of
the clip, so that a change of gain changes nothing; bands beyond what the recording carries are left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.orders.drive import pump_angle
from audiodiag.orders.tone_comb import ToneView, tone_view
from audiodiag.records import Clip, FloatArray, Phases, Quality, SpeedTrace, read_only
from audiodiag.symptoms.angle_view import TRACK_HOP_S, AngleView, build_angle_view
from audiodiag.symptoms.fast import fast_envelopes
from audiodiag.symptoms.gliding_tones import GlidingTones, follow_tones
from audiodiag.symptoms.narrow import narrow_envelopes
from audiodiag.symptoms.spectra import (
    SILENCE,
    TINY,
    bridge,
    decibels,
    percentile,
    short_time_power,
    smooth,
)
from audiodiag.symptoms.swell import Swell, find_swell
from audiodiag.vehicle import Vehicle

__all__ = [
    "BEAT_EDGES_HZ",
    "Scene",
    "build_scene",
]

BEAT_EDGES_HZ = (300.0, 700.0, 1200.0, 2000.0, 3000.0, 4200.0, 5800.0, 8000.0, 11000.0, 15000.0)
LEVEL_EDGES_HZ = tuple(float(f) for f in 62.5 * 2.0 ** (np.arange(25) / 3.0))
SHORTEST_S = 1.0
STATED = ("marked", "tabled")
"""Sources of phases that a person stated."""
SPEED_GAP_S = 0.6


@dataclass(frozen=True, eq=False)
class Scene:
    """One clip prepared for the symptoms.

    time_s: shape (t,), every 0.05 s. level_hz: shape (b,), centres of third-octave bands within the
    recording's band; level: shape (t, b), mean power density in each, relative. beat_hz: centres of the
    envelope bands, shape (e,); envelope: shape (n, e) at envelope_rate_hz. narrow_hz, narrow, narrow_rate_hz:
    the same of narrow bands (``narrow``). tone_hz, tone_time_s, tone: power
    of the short transforms, shape (f,), (w,), (w, f). gliding: the clearest lasting tone, None where
    nothing can be measured. tones: the order spectrum in which the pump's tone is weighed, swell: the
    spectrum of what swells, each None without a speed or with too little of it. rpm: shape (t,), NaN where
    unknown. dip_percent: how far the speed lies below its usual, shape (t,). steering_load: shape (t,), 0 to
    1 from the stated phases, None where they are unknown. speed_confidence: probability that the speed is
    right, 0 where there is none.
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
    narrow_hz: FloatArray
    narrow: FloatArray
    narrow_rate_hz: float
    tone_hz: FloatArray
    tone_time_s: FloatArray
    tone: FloatArray
    gliding: GlidingTones | None
    tones: ToneView | None
    swell: Swell | None
    rpm: FloatArray
    dip_percent: FloatArray
    steering_load: FloatArray | None
    angle: AngleView | None
    speed_confidence: float

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

    def density_at(self, hz: float) -> FloatArray:
        """Mean power density over time of the third octave around a frequency, relative, shape (t,)."""
        if not len(self.level_hz):
            return np.zeros(len(self.time_s))
        return np.asarray(self.level[:, int(np.argmin(np.abs(np.log(self.level_hz / hz))))])

    @property
    def engine_power(self) -> float:
        """Power of the engine bay in its calmer stretches, 60 Hz upwards: what level_db refers to.

        Silence, digital or with a converter's noise, is no stretch of an engine.
        """
        if not self.usable:
            return float("nan")
        power = self.power_between(60.0, 16000.0)
        return percentile(smooth(power[power > SILENCE], 10), 30.0)


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

    narrow_hz, narrow, narrow_rate_hz = narrow_envelopes(samples if usable else samples[:0], rate, high)

    dip = _dip_percent(rpm)
    angle = None
    known = np.isfinite(rpm)
    if usable and known.sum() * TRACK_HOP_S >= SHORTEST_S:
        angle = build_angle_view(
            samples,
            rate,
            speed,
            time_s,
            rpm,
            envelope,
            envelope_rate_hz,
            narrow,
            narrow_rate_hz,
            *fast_envelopes(samples, rate, high),
        )
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
        narrow_hz=read_only(narrow_hz),
        narrow=read_only(narrow),
        narrow_rate_hz=narrow_rate_hz,
        tone_hz=read_only(tone_hz),
        tone_time_s=read_only(tone_time_s),
        tone=read_only(tone),
        gliding=follow_tones(samples, rate) if usable else None,
        tones=_tone_view(samples, rate, speed, phases) if angle is not None else None,
        swell=find_swell(samples, rate, high, angle.crank) if angle is not None else None,
        rpm=read_only(rpm),
        dip_percent=read_only(dip),
        steering_load=_stated_load(phases, time_s),
        angle=angle,
        speed_confidence=float(speed.confidence) if known.any() else 0.0,
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


def _tone_view(samples: FloatArray, rate: int, speed: SpeedTrace, phases: Phases | None) -> ToneView | None:
    """Prepare the order spectrum of the pump's tones; phases inferred from the same sound say nothing."""
    turned = pump_angle(samples, rate, speed)
    stated = phases if phases is not None and phases.source in STATED else None
    return tone_view(turned, stated) if turned is not None else None


def _stated_load(phases: Phases | None, time_s: FloatArray) -> FloatArray | None:
    """Steering load from stated phases: 0 in the centre, 0.6 turning, 1 at a stop, NaN between."""
    if phases is None or phases.source not in STATED or not phases.spans:
        return None
    load = np.full(len(time_s), np.nan)
    weight = {"centre": 0.0, "turning": 0.6, "stop": 1.0}
    for span in phases.spans:
        load[(time_s >= span.start_s) & (time_s < span.end_s)] = weight[span.phase]
    return read_only(load)
