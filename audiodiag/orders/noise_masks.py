"""Which share of what is left without the orders is squeal, chirp, groan, and which none of them?

Squeal: lines of long frames (some 43 ms) between 1.5 and 10 kHz that stand above what surrounds them in
frequency and above what is usual at their place. Chirp: short frames (some 11 ms) between 2 and 12 kHz that
stand above what surrounds them in time. Groan: noise that rises in stretches over the calm of the clip, all
bands together, and that swings with the pump's turn; the calm is learnt over the engine's two revolutions, so
that ticking valves are no groan. Every share is a Wiener gain: the part's power over the power of all.
Source of the gain: Wiener's filter in the form of spectral subtraction by power (Boll, IEEE Trans. Acoustics,
Speech and Signal Processing 27(2), 1979, from memory); the calm over crank angle is cyclic averaging (Antoni,
MSSP 21, 2007, 597, from memory). The bands and factors are assumptions of this program.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.orders.angle import CrankAngle
from audiodiag.orders.short_time import HOPS, frame_spectra, from_spectra, good_length
from audiodiag.records import FloatArray, read_only

__all__ = ["ShortMask", "chirp_mask", "groan_mask", "squeal_mask"]

SQUEAL_HZ = (1200.0, 10500.0)
SQUEAL_FRAME_S = 0.043
SQUEAL_OVER = 6.0
"""A line of a squeal is this many times stronger than its surroundings (power)."""
ROUGH_OVER = 4.0
"""The same for a squeal that is rough, so that its line is broad."""
USUAL_AT_MOST = 16.0
"""What is there most of the time counts as usual only up to this many times its surroundings."""
SQUEAL_FRAMES = 7
LASTING = 0.6
CHIRP_HZ = (1500.0, 15000.0)
CHIRP_FRAME_S = 0.011
CHIRP_OVER = 3.0
GROAN_FRAME_S = 0.012
GROAN_HZ = (80.0, 12000.0)
BANDS_PER_OCTAVE = 6
CALM_SHARE = 0.3
LEAST_CALM_S = 1.0
CALM_WEIGHT = 1.7
STRENGTH_S = 0.03
ANGLES = 24
ROUNDS = 12


@dataclass(frozen=True, eq=False)
class ShortMask:
    """A mask over short frames: gain, shape (frames, lines), each 0 to 1. Laying it on a sound is linear."""

    gain: FloatArray
    frame: int

    def through(self, samples: FloatArray) -> FloatArray:
        """Give what the mask lets through, shape as ``samples``."""
        spectra = frame_spectra(samples, self.frame)
        return from_spectra(spectra * self.gain, self.frame, len(samples))


def squeal_mask(samples: FloatArray, rate_hz: float) -> ShortMask:
    """Find the mask of tones that come and go or wander between 1.2 and 10.5 kHz.

    samples: shape (n,), the clip without the orders; ``rate_hz``: their rate. Needs no engine speed.

    >>> t = np.arange(32000) / 16000
    >>> tone = np.sin(2 * np.pi * 3000 * t + 40 * np.sin(2 * np.pi * 2 * t)) * (t > 1)
    >>> noise = np.random.default_rng(1).standard_normal(32000) * 0.3
    >>> mask = squeal_mask(tone + noise, 16000)
    >>> round(float(np.std(mask.through(tone)) / np.std(tone)), 1)
    1.0
    """
    frame = good_length(SQUEAL_FRAME_S * rate_hz)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    power = np.maximum((np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32), 1e-30)
    inside = (hertz > SQUEAL_HZ[0]) & (hertz < min(SQUEAL_HZ[1], 0.47 * rate_hz))
    clear = _ridges(power, 31, 1, SQUEAL_OVER, inside)
    rough = _ridges(power, 121, 9, ROUGH_OVER, inside)
    gain = np.maximum(clear, rough) * inside
    return ShortMask(read_only(gain.astype(np.float32)), frame)


def _ridges(power: FloatArray, wide: int, smooth: int, over: float, inside: NDArray[np.bool_]) -> FloatArray:
    """Gain of what stands out of ``wide`` lines around, and of what is usual at its place, and lasts.

    ``smooth``: lines over which the power is averaged first, for tones that are rough and therefore broad.
    """
    from scipy.ndimage import (
        maximum_filter,
        median_filter,
        percentile_filter,
        uniform_filter,
        uniform_filter1d,
    )

    level = uniform_filter(power, size=(3, smooth)) if smooth > 1 else power
    bias = np.log(2.0) if smooth == 1 else 0.95
    around = median_filter(level, size=(1, wide)) / np.float32(bias)
    usual = np.percentile(level, 30.0, axis=0) / (0.357 if smooth == 1 else 0.85)
    usual = np.asarray(percentile_filter(usual, 80, size=5))
    floor = np.maximum(around, np.minimum(usual, USUAL_AT_MOST * around)).astype(np.float32)
    stands = (level > over * floor) & inside
    # A tone lasts: in most of the frames around it, there is a peak near by as well.
    near = maximum_filter(stands, size=(1, 5 if smooth == 1 else smooth)).astype(np.float32)
    lasting = uniform_filter1d(near, 2 * SQUEAL_FRAMES + 1, axis=0) >= LASTING
    mine = maximum_filter(stands & lasting, size=(1, 5))
    return np.where(mine, np.clip(1.0 - floor / level, 0.0, 1.0), 0.0)


def chirp_mask(
    samples: FloatArray, rate_hz: float, spans_s: tuple[tuple[float, float], ...] = ()
) -> ShortMask:
    """Find the mask of short bursts between 1.5 and 15 kHz.

    samples: shape (n,), the clip without orders and squeal. ``spans_s``: where bursts are heard, all over the
    clip without.

    >>> t = np.arange(32000) / 16000
    >>> burst = np.random.default_rng(0).standard_normal(32000) * ((t * 5) % 1 < 0.15)
    >>> noise = np.random.default_rng(1).standard_normal(32000) * 0.1
    >>> mask = chirp_mask(burst + noise, 16000)
    >>> bool(np.std(mask.through(burst)) > 6 * np.std(mask.through(noise)))
    True
    """
    from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter

    frame = good_length(CHIRP_FRAME_S * rate_hz)
    hop_s = frame / HOPS / rate_hz
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    power = uniform_filter((np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32), size=(3, 5))
    wide = max(round(0.6 / hop_s), 5)
    floor = np.maximum(percentile_filter(power[::2], 50, size=(wide // 2, 1)), 1e-30)
    floor = np.repeat(floor, 2, axis=0)[: len(power)]
    inside = (hertz > CHIRP_HZ[0]) & (hertz < min(CHIRP_HZ[1], 0.47 * rate_hz))
    ratio = np.where(inside, power / floor, 0.0)
    mine = maximum_filter1d((ratio > CHIRP_OVER).astype(np.float32), 3, axis=0) > 0
    gain = np.where(mine, np.clip(1.0 - 1.5 / np.maximum(ratio, 1e-9), 0.0, 1.0), 0.0)
    if spans_s:
        time_s = (np.arange(len(power)) - 1) * hop_s
        gain = (
            gain
            * np.any([(time_s > a - 0.1) & (time_s < b + 0.1) for a, b in spans_s], axis=0)[:, np.newaxis]
        )
    return ShortMask(read_only(gain.astype(np.float32)), frame)


def groan_mask(
    samples: FloatArray,
    rate_hz: float,
    crank: CrankAngle | None,
    pump_ratio: float | None = None,
    *,
    calm_spans_s: tuple[tuple[float, float], ...] = (),
) -> ShortMask:
    """Find the mask of the groan.

    Parameters
    ----------
    samples:
        Shape (n,), the clip without orders, squeal and chirp.
    rate_hz:
        Their rate.
    crank:
        Crank angle over time, None where the speed is unknown: then the calm is the same at all angles.
    pump_ratio:
        Pump turns per crank turn, None where unknown: then the groan swings with nothing.
    calm_spans_s:
        When the wheel is at rest, where that is known: the calm is learnt there if it lasts a second at
        least, else in the quietest third of the clip.

    >>> t = np.arange(64000) / 16000
    >>> rng = np.random.default_rng(1)
    >>> groan, calm = rng.standard_normal(64000) * (t % 2 > 1.2), 0.2 * rng.standard_normal(64000)
    >>> mask = groan_mask(groan + calm, 16000, None)
    >>> bool(np.std(mask.through(groan)) > 4.5 * np.std(mask.through(calm)))
    True
    """
    frame = good_length(GROAN_FRAME_S * rate_hz)
    power = (np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    time_s = (np.arange(len(power)) - 1) * frame / HOPS / rate_hz
    edges = _edges(hertz, min(GROAN_HZ[1], 0.47 * rate_hz))
    bands = np.stack([power[:, a:b].mean(axis=1) for a, b in itertools.pairwise(edges)], axis=1)
    bands = np.maximum(bands, 1e-30)
    calm = _calm(bands, time_s, crank, calm_spans_s)
    groan = _swelling(bands, calm, time_s, crank, pump_ratio)
    share = groan / (groan + CALM_WEIGHT * calm)
    gain = np.zeros_like(power)
    for band, (a, b) in enumerate(itertools.pairwise(edges)):
        gain[:, a:b] = share[:, band, np.newaxis]
    return ShortMask(read_only(gain), frame)


def _edges(hertz: FloatArray, top_hz: float) -> FloatArray:
    """First lines of bands a sixth of an octave wide, at least one line each."""
    wanted = GROAN_HZ[0] * 2.0 ** (np.arange(0, 12 * BANDS_PER_OCTAVE) / BANDS_PER_OCTAVE)
    return np.unique(np.searchsorted(hertz, wanted[wanted <= top_hz]))


def _calm(
    bands: FloatArray,
    time_s: FloatArray,
    crank: CrankAngle | None,
    spans_s: tuple[tuple[float, float], ...],
) -> FloatArray:
    """Power of the calm, shape as ``bands``: from stated or the quietest times, over angle and speed."""
    from scipy.ndimage import uniform_filter1d

    level = np.log(bands)
    slow = uniform_filter1d(level, max(round(0.25 / (time_s[1] - time_s[0])), 1), axis=0)
    rise = np.zeros_like(level)
    if crank is not None:
        octaves = np.log2(crank.rpm_at(time_s))
        octaves = octaves - octaves.mean()
        slope = octaves @ (slow - slow.mean(axis=0)) / len(octaves) / (octaves.var() + 0.04**2)
        rise = octaves[:, np.newaxis] * np.clip(slope, 0.0, 30.0 * np.log(10) / 10)
    together = (slow - rise).mean(axis=1)
    quiet = np.zeros(len(time_s), dtype=bool)
    for start, end in spans_s:
        quiet |= (time_s >= start) & (time_s <= end)
    if quiet.sum() * (time_s[1] - time_s[0]) < LEAST_CALM_S:
        quiet = together <= np.quantile(together, CALM_SHARE)
    flat = bands * np.exp(-rise)
    if crank is None:
        return np.asarray(np.exp(rise) * flat[quiet].mean(axis=0))
    place = (0.5 * crank.rev_at(time_s) % 1.0) * ANGLES
    model = _over_angle(flat[quiet], place[quiet], ANGLES)
    return np.asarray(np.exp(rise) * _read(model, place))


def _over_angle(values: FloatArray, place: FloatArray, count: int) -> FloatArray:
    """Mean of values at each of ``count`` angles, shape (count, bands), drawn towards the mean where few."""
    mean = values.mean(axis=0)
    total = np.tile(2.0 * mean, (count, 1))
    weight = np.full(count, 2.0)
    low = np.floor(place).astype(int) % count
    part = place % 1.0
    for index, share in ((low, 1.0 - part), ((low + 1) % count, part)):
        np.add.at(total, index, values * share[:, np.newaxis])
        np.add.at(weight, index, share)
    return np.asarray(total / weight[:, np.newaxis])


def _read(model: FloatArray, place: FloatArray) -> FloatArray:
    """Model at fractional angles, shape (times, bands)."""
    low = np.floor(place).astype(int) % len(model)
    part = (place % 1.0)[:, np.newaxis]
    return np.asarray(model[low] * (1 - part) + model[(low + 1) % len(model)] * part)


def _swelling(
    bands: FloatArray,
    calm: FloatArray,
    time_s: FloatArray,
    crank: CrankAngle | None,
    pump_ratio: float | None,
) -> FloatArray:
    """Power of the groan, shape as ``bands``: strength times spectrum times swing over the pump's turn.

    Alternating updates for the divergence (Lee and Seung, NIPS 2000, from memory) with the calm held.
    """
    from scipy.ndimage import uniform_filter1d

    hop_s = float(time_s[1] - time_s[0])
    width = max(round(STRENGTH_S / hop_s), 1)
    over = np.maximum(bands - CALM_WEIGHT * calm, 0.0)
    strength = uniform_filter1d((over / calm).mean(axis=1), width)
    spectrum = np.maximum(
        (over * strength[:, np.newaxis]).sum(axis=0) / max(float((strength**2).sum()), 1e-30), 0
    )
    place = (
        np.zeros(len(time_s)) if crank is None or not pump_ratio else crank.rev_at(time_s) * pump_ratio % 1.0
    )
    beat: FloatArray = np.ones(len(time_s))
    for _ in range(ROUNDS):
        model = strength[:, np.newaxis] * spectrum * beat[:, np.newaxis]
        ratio = bands / (model + CALM_WEIGHT * calm)
        weight = spectrum * beat[:, np.newaxis]
        step = uniform_filter1d((ratio * weight / calm).sum(axis=1), width)
        strength = strength * step / np.maximum(uniform_filter1d((weight / calm).sum(axis=1), width), 1e-30)
        if crank is not None and pump_ratio:
            beat = _beat(bands, calm, strength, spectrum, place)
    return np.asarray(strength[:, np.newaxis] * spectrum * beat[:, np.newaxis])


def _beat(
    bands: FloatArray, calm: FloatArray, strength: FloatArray, spectrum: FloatArray, place: FloatArray
) -> FloatArray:
    """How the groan swings over the pump's turn, shape (times,), mean about 1."""
    count = 12
    over = ((bands - CALM_WEIGHT * calm) / calm).sum(axis=1)
    due = strength * (spectrum / calm).sum(axis=1)
    both = _over_angle(np.stack([over, due], axis=1), place * count, count)
    shape = np.clip(both[:, 0] / np.maximum(both[:, 1], 1e-30), 0.05, 5.0)
    return np.asarray(_read((shape / shape.mean())[:, np.newaxis], place * count)[:, 0])
