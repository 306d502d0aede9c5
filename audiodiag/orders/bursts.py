"""Which share of what is left without the orders is chirp: short high bursts?

The floor is what is usual in some 0.6 s around, band by band, and raised at the crank angles where something
ticks in every cycle, injectors or tappets, say: the middle over the cycles, which a chirp at another pace
does not reach. A chirp in step with half turns of the crank is taken for such ticks and stays in the rest.
Over the floor, the power of short frames is explained by it and by bursts of one spectrum
(:mod:`audiodiag.orders.two_sounds`); the mask is a steep Wiener gain, as strict as the model says is needed.
The bands and factors are assumptions of this program.
"""

from __future__ import annotations

import numpy as np

from audiodiag.orders.angle import CrankAngle
from audiodiag.orders.noise_masks import ShortMask
from audiodiag.orders.short_time import HOPS, frame_spectra, good_length
from audiodiag.orders.two_sounds import (
    STEEP,
    Manner,
    band_edges,
    explained,
    in_bands,
    in_lines,
    in_time,
    strict_share,
)
from audiodiag.records import FloatArray, read_only

__all__ = ["chirp_mask"]

FRAME_S = 0.011
BAND_HZ = (1500.0, 15000.0)
BANDS_PER_OCTAVE = 12
AROUND_S, USUAL_PERCENT = 0.6, 40.0
MEAN_OVER_USUAL = 1.15
"""What is usual is a percentile of the power, so many times below its mean where nothing but noise is."""
ANGLES, FEWEST_AT_ANGLE = 48, 5
CHIRP = Manner(strength_s=0.006, sure_over=2.0)
STRICTNESS = (-1.0, 6.0)
"""Where the search for the strictness begins and ends, in doublings of the power ratio."""


def chirp_mask(
    samples: FloatArray,
    rate_hz: float,
    crank: CrankAngle | None = None,
    *,
    spans_s: tuple[tuple[float, float], ...] = (),
    clip_power: float | None = None,
) -> ShortMask:
    """Find the mask of short bursts between 1.5 and 15 kHz.

    Parameters
    ----------
    samples:
        Shape (n,), the clip without orders and squeal.
    rate_hz:
        Their rate.
    crank:
        Crank angle over time, None where the speed is unknown: then what ticks in every cycle is a burst too.
    spans_s:
        Where bursts are heard, all over the clip without.
    clip_power:
        Mean square of the whole clip, over whose other sounds the chirp is to gain; that of the samples where
        it is not told.

    >>> t = np.arange(32000) / 16000
    >>> burst = np.random.default_rng(0).standard_normal(32000) * ((t * 5) % 1 < 0.15)
    >>> noise = np.random.default_rng(1).standard_normal(32000) * 0.1
    >>> mask = chirp_mask(burst + noise, 16000)
    >>> bool(np.std(mask.through(burst)) > 6 * np.std(mask.through(noise)))
    True
    """
    frame = good_length(FRAME_S * rate_hz)
    hop_s = frame / HOPS / rate_hz
    power = (np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    time_s = (np.arange(len(power)) - 1) * hop_s
    gain = np.zeros_like(power)
    edges = band_edges(hertz, BAND_HZ[0], min(BAND_HZ[1], 0.47 * rate_hz), BANDS_PER_OCTAVE)
    if len(edges) > 1:
        bands, lines = in_bands(power, edges), np.diff(edges).astype(float)
        near = in_time(bands)
        chirp, quiet = explained(bands, _floor(near, time_s, crank), np.sqrt(lines), hop_s, CHIRP)
        whole = float(power.sum())
        if clip_power is not None:
            whole *= clip_power / max(float(np.mean(np.square(samples, dtype=np.float64))), 1e-30)
        evidence = STEEP * (np.log(chirp / quiet) + np.log(near / (chirp + quiet)))
        share = strict_share(evidence, chirp, quiet, near, lines / max(whole, 1e-30), STRICTNESS)
        gain = in_lines(share, edges, len(hertz))
    if spans_s:
        inside = np.any([(time_s > a - 0.1) & (time_s < b + 0.1) for a, b in spans_s], axis=0)
        gain = gain * inside[:, np.newaxis]
    return ShortMask(read_only(gain), frame)


def _floor(near: FloatArray, time_s: FloatArray, crank: CrankAngle | None) -> FloatArray:
    """Power that is usual in the time around and at the angle of the engine's cycle, shape (frames, bands).

    near: powers with their neighbours in time.
    """
    from scipy.ndimage import percentile_filter

    # Every second frame will do: neighbours share most of their samples.
    wide = max(round(AROUND_S / (time_s[1] - time_s[0])), 5) // 2
    usual = percentile_filter(near[::2], USUAL_PERCENT, size=(wide, 1))
    floor = MEAN_OVER_USUAL * np.repeat(usual, 2, axis=0)[: len(near)]
    floor = np.maximum(floor, 1e-9 * float(near.max()) + 1e-30)
    if crank is None:
        return np.asarray(floor)
    place = (0.5 * crank.rev_at(time_s) % 1.0 * ANGLES).astype(int) % ANGLES
    over = near / floor
    middle = np.maximum(np.median(over, axis=0), 1e-9)
    ticks = np.ones((ANGLES, near.shape[1]))
    for angle in range(ANGLES):
        here = place == angle
        if here.sum() >= FEWEST_AT_ANGLE:
            ticks[angle] = np.maximum(np.median(over[here], axis=0) / middle, 1.0)
    ticks = np.maximum(ticks, np.maximum(np.roll(ticks, 1, axis=0), np.roll(ticks, -1, axis=0)))
    return np.asarray(floor * ticks[place])
