"""Which share of what is left without the orders is groan: noise that swells and swings with the pump?

The calm of the clip is learnt over the engine's two revolutions, so that ticking valves are no groan. Over
it, the power of short frames in bands is explained by the calm and by a groan of one spectrum, which swings
with the pump's turn (:mod:`audiodiag.orders.two_sounds`). What a cell then holds beyond or short of its
explanation is shared out likewise. The mask is a steep Wiener gain. A cell is not judged alone: air roars in
many bands at once, so what its whole frame holds over the calm, and over the model, speaks for it or against
it too (where the speed is known, so that the engine's strokes are in the calm).

Sources: Wiener's gain as in spectral subtraction by power (Boll, IEEE Trans. Acoustics, Speech and Signal
Processing 27(2), 1979, from memory); the calm over crank angle is cyclic averaging (Antoni, MSSP 21, 2007,
597, from memory). The bands and factors are assumptions of this program.
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
    over_angle,
    read_at,
    strict_share,
)
from audiodiag.records import FloatArray, read_only

__all__ = ["calm_power", "groan_mask"]

FRAME_S = 0.024
BAND_HZ = (80.0, 12000.0)
BANDS_PER_OCTAVE = 12
CALM_SHARE = 0.3
LEAST_CALM_S = 1.0
ANGLES = 24
SLOW_S = 0.5
GROAN = Manner(strength_s=0.03, loudest=2.0, slow_s=SLOW_S)
OF_CELL = 3.3
"""Weight of groan over calm in a cell (natural logarithm of powers): how steep the gain is."""
OF_BEYOND = 2.7
"""Weight of what the cell holds over what the model gives it."""
OF_FRAME = 4.0
"""Weight of what the whole frame holds over the calm."""
OF_MINE = 1.7
"""Weight of what the frame's cells of groan hold over what the model gives them."""
OF_SLOW = 0.8
"""Weight of groan over calm in the half second around. All five are learnt on simulated clips, rounded."""
STRICTNESS = (-3.0, 3.0)
STRICTNESS_ALONE = (0.0, 6.0)
"""Where the search for the strictness begins and ends, in doublings of the power ratio; without a speed."""


def groan_mask(
    samples: FloatArray,
    rate_hz: float,
    crank: CrankAngle | None,
    pump_ratio: float | None = None,
    *,
    calm_spans_s: tuple[tuple[float, float], ...] = (),
    clip_power: float | None = None,
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
    clip_power:
        Mean square of the whole clip, over whose other sounds the groan is to gain; that of the samples where
        it is not told.

    >>> t = np.arange(64000) / 16000
    >>> rng = np.random.default_rng(1)
    >>> groan, calm = rng.standard_normal(64000) * (t % 2 > 1.2), 0.2 * rng.standard_normal(64000)
    >>> mask = groan_mask(groan + calm, 16000, None)
    >>> bool(np.std(mask.through(groan)) > 4.5 * np.std(mask.through(calm)))
    True
    """
    frame = good_length(FRAME_S * rate_hz)
    power = (np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    time_s = (np.arange(len(power)) - 1) * frame / HOPS / rate_hz
    edges = band_edges(hertz, BAND_HZ[0], min(BAND_HZ[1], 0.47 * rate_hz), BANDS_PER_OCTAVE)
    bands = in_bands(power, edges)
    calm = calm_power(bands, time_s, crank, calm_spans_s)
    lines = np.diff(edges).astype(float)
    hop_s = float(time_s[1] - time_s[0])
    turned = None if crank is None or not pump_ratio else crank.rev_at(time_s) * pump_ratio
    groan, quiet = explained(bands, calm, np.sqrt(lines), hop_s, GROAN, turned)
    near = in_time(bands)
    whole = float((bands * lines).sum())
    if clip_power is not None:
        whole *= clip_power / max(float(np.mean(np.square(samples, dtype=np.float64))), 1e-30)
    evidence: FloatArray
    if crank is None:  # then the engine's strokes are not in the calm, and they too are loud in all bands
        evidence, between = STEEP * np.log(groan / quiet * near / (groan + quiet)), STRICTNESS_ALONE
    else:
        evidence, between = _evidence(groan, quiet, near, np.sqrt(lines), hop_s), STRICTNESS
    share = strict_share(evidence, groan, quiet, near, lines / max(whole, 1e-30), between)
    return ShortMask(read_only(in_lines(share, edges, len(hertz))), frame)


def _evidence(
    groan: FloatArray, calm: FloatArray, near: FloatArray, weight: FloatArray, hop_s: float
) -> FloatArray:
    """How much speaks for groan in each cell, natural logarithm of odds, shape (frames, bands).

    ``groan``, ``calm``: expected powers; ``near``: what is there, with its neighbours in time; ``weight``: of
    each band; ``hop_s``: from frame to frame. What a frame says is weighed over its bands by ``weight``.
    """
    from scipy.ndimage import uniform_filter1d

    weight = weight / weight.sum()
    model = groan + calm
    ratio, beyond = np.log(groan / calm), np.log(near / model)
    frame = np.clip(np.log(near / calm), -4.0, 6.0) @ weight
    mine = groan / model * weight
    of_groan = (np.clip(beyond, -3.0, 4.0) * mine).sum(axis=1) / np.maximum(mine.sum(axis=1), 1e-3)
    slow = uniform_filter1d(np.clip(ratio, -8.0, 6.0) @ weight, max(round(SLOW_S / hop_s), 1))
    of_frame = OF_FRAME * frame + OF_MINE * of_groan + OF_SLOW * slow
    return np.asarray(OF_CELL * ratio + OF_BEYOND * beyond + of_frame[:, np.newaxis])


def calm_power(
    bands: FloatArray,
    time_s: FloatArray,
    crank: CrankAngle | None,
    spans_s: tuple[tuple[float, float], ...] = (),
) -> FloatArray:
    """Give the power of the calm: from stated or the quietest times, over crank angle and speed.

    Parameters
    ----------
    bands:
        Power of short frames, shape (frames, bands), above nothing.
    time_s:
        Their middles, shape (frames,), evenly spaced.
    crank:
        Crank angle over time, None where the speed is unknown: then the calm is the same at all angles.
    spans_s:
        When the wheel is at rest, where that is known and a second at least.

    Returns
    -------
    Shape as ``bands``.

    >>> time_s = np.arange(400) * 0.01
    >>> bands = np.where(time_s[:, None] % 2.0 > 1.2, 9.0, 1.0) * np.ones((400, 3))
    >>> bool(np.allclose(calm_power(bands, time_s, None), 1.0, rtol=0.1))
    True
    """
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
    model = over_angle(flat[quiet], place[quiet], ANGLES)
    return np.asarray(np.exp(rise) * read_at(model, place))
