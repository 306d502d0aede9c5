"""Which share of what is left without the orders is groan: noise that swells and swings with the pump?

The calm of the clip is learnt over the engine's two revolutions, so that ticking valves are no groan. Over
it, the power of short frames in bands is explained by two sounds: the calm, a little louder or softer from
frame to frame, and a groan of one spectrum, whose strength rises and falls and which swings with the pump's
turn. What a cell then holds beyond or short of its explanation is shared out likewise. The mask is a steep
Wiener gain. A cell is not judged alone: air roars in many bands at once, so what its whole frame holds over
the calm, and over the model, speaks for it or against it too (where the speed is known, so that the engine's
strokes are in the calm). How strict the mask must be the model says
itself: as strict as is needed for the groan to stand out of all other sounds by a stated gain, and no
stricter, so that much of it is kept.

Sources: Wiener's gain as in spectral subtraction by power (Boll, IEEE Trans. Acoustics, Speech and Signal
Processing 27(2), 1979, from memory); the calm over crank angle is cyclic averaging (Antoni, MSSP 21, 2007,
597, from memory); updates for the Itakura-Saito divergence (Fevotte, Bertin and Durrieu, Neural Computation
21(3), 2009, 793-830, from memory). The bands and factors are assumptions of this program.
"""

from __future__ import annotations

import itertools

import numpy as np

from audiodiag.orders.angle import CrankAngle
from audiodiag.orders.noise_masks import ShortMask
from audiodiag.orders.short_time import HOPS, frame_spectra, good_length
from audiodiag.records import FloatArray, read_only

__all__ = ["groan_mask"]

FRAME_S = 0.024
BAND_HZ = (80.0, 12000.0)
BANDS_PER_OCTAVE = 12
CALM_SHARE = 0.3
LEAST_CALM_S = 1.0
ANGLES = 24
BEAT_ANGLES = 12
CALM_WEIGHT = 1.3
"""The calm is counted this many times while the groan is sought."""
SURE_OVER = 1.5
"""Where the search begins, only what is over the calm by this factor is groan."""
STEADY_CALM = 0.3
"""How surely the calm is as loud as it was learnt, in frames: large holds it there."""
STRENGTH_S = 0.03
SLOW_S = 0.5
LOUDEST = 2.0
"""The groan is at most this many times as strong as half a second around makes likely."""
ROUNDS = 25
BEAT_FROM = 5
STEEP = 3.0
"""Weight of a cell's ratio and of what is beyond where the speed is unknown: frames then say nothing."""
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
WANTED_GAIN_DB = 12.5
"""Gain over all other sounds that the model must promise: 10 dB are the aim, the rest is for its errors."""
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
    from scipy.ndimage import uniform_filter1d

    frame = good_length(FRAME_S * rate_hz)
    power = (np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    time_s = (np.arange(len(power)) - 1) * frame / HOPS / rate_hz
    edges = _edges(hertz, min(BAND_HZ[1], 0.47 * rate_hz))
    bands = np.stack([power[:, a:b].mean(axis=1) for a, b in itertools.pairwise(edges)], axis=1)
    bands = np.maximum(bands, max(1e-12 * float(bands.max()), 1e-30))
    calm = _calm(bands, time_s, crank, calm_spans_s)
    lines = np.diff(edges).astype(float)
    groan, quiet = _explained(bands, calm, np.sqrt(lines), time_s, crank, pump_ratio)
    near = uniform_filter1d(bands, 3, axis=0)
    whole = float((bands * lines).sum())
    if clip_power is not None:
        whole *= clip_power / max(float(np.mean(np.square(samples, dtype=np.float64))), 1e-30)
    if crank is None:  # then the engine's strokes are not in the calm, and they too are loud in all bands
        evidence, between = STEEP * np.log(groan / quiet * near / (groan + quiet)), STRICTNESS_ALONE
    else:
        hop_s = float(time_s[1] - time_s[0])
        evidence, between = _evidence(groan, quiet, near, np.sqrt(lines), hop_s), STRICTNESS
    share = _strict(evidence, groan, quiet, near, lines / max(whole, 1e-30), between)
    gain = np.zeros_like(power)
    for band, (a, b) in enumerate(itertools.pairwise(edges)):
        gain[:, a:b] = share[:, band, np.newaxis]
    return ShortMask(read_only(gain), frame)


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


def _strict(
    evidence: FloatArray,
    groan: FloatArray,
    calm: FloatArray,
    near: FloatArray,
    unit: FloatArray,
    between: tuple[float, float],
) -> FloatArray:
    """Gain of each cell, shape (frames, bands), as strict as the model says the wanted gain needs.

    ``evidence``: log odds; ``groan``, ``calm``, ``near``: as above; ``unit``: what a power in each band is of
    the whole clip's; ``between``: least and greatest strictness.
    """
    model = groan + calm
    found, left = near * groan / model * unit, near * calm / model * unit
    before = found.sum() / max(1.0 - found.sum(), 1e-6)
    share = np.zeros_like(evidence)
    for strictness in np.arange(between[0], between[1] + 0.25, 0.5):
        against = STEEP * np.log(2.0) * strictness - evidence
        share = 1.0 / (1.0 + np.exp(np.clip(against, -60.0, 60.0)))
        passed = share**2
        if (passed * found).sum() >= 10.0 ** (WANTED_GAIN_DB / 10.0) * before * (passed * left).sum():
            break
    return share


def _edges(hertz: FloatArray, top_hz: float) -> FloatArray:
    """First lines of bands a twelfth of an octave wide, at least one line each."""
    wanted = BAND_HZ[0] * 2.0 ** (np.arange(0, 12 * BANDS_PER_OCTAVE) / BANDS_PER_OCTAVE)
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


def _explained(
    bands: FloatArray,
    calm: FloatArray,
    weight: FloatArray,
    time_s: FloatArray,
    crank: CrankAngle | None,
    pump_ratio: float | None,
) -> tuple[FloatArray, FloatArray]:
    """Powers of groan and calm, shape as ``bands``: strength times spectrum times swing over the pump's turn.

    Multiplying updates for the Itakura-Saito divergence, in units of the calm. ``weight``: of each band.
    """
    from scipy.ndimage import uniform_filter1d

    hop_s = float(time_s[1] - time_s[0])
    width, slow = max(round(STRENGTH_S / hop_s), 1), max(round(SLOW_S / hop_s), 1)

    def smooth(values: FloatArray) -> FloatArray:
        return np.asarray(uniform_filter1d(values, width))

    level = bands / calm
    shape = calm.mean(axis=0) / calm
    over = np.maximum(level - SURE_OVER, 0.0)
    strength = smooth(over @ weight / weight.sum()) + 1e-6
    spectrum = np.maximum((over / shape * strength[:, np.newaxis]).sum(axis=0) / (strength**2).sum(), 1e-12)
    place = None if crank is None or not pump_ratio else crank.rev_at(time_s) * pump_ratio % 1.0
    loud: FloatArray = np.ones(len(bands))
    beat: FloatArray = np.ones(len(bands))
    sure = STEADY_CALM * weight.sum()

    def pulls(groan: FloatArray) -> tuple[FloatArray, FloatArray]:
        model = CALM_WEIGHT * loud[:, np.newaxis] + groan
        return weight * level / model**2, weight / model

    for turn in range(ROUNDS):
        each = spectrum * shape * beat[:, np.newaxis]
        up, down = pulls(strength[:, np.newaxis] * each)
        strength = (
            strength * smooth((up * each).sum(axis=1)) / np.maximum(smooth((down * each).sum(axis=1)), 1e-30)
        )
        strength = np.minimum(strength, 1e15)
        each = (strength * beat)[:, np.newaxis] * shape
        up, down = pulls(each * spectrum)
        spectrum = spectrum * (up * each).sum(axis=0) / np.maximum((down * each).sum(axis=0), 1e-30)
        spectrum = np.minimum(spectrum, 1e15)
        up, down = pulls(each * spectrum)
        raised = CALM_WEIGHT * smooth(up.sum(axis=1)) * loud + sure
        loud = raised / (CALM_WEIGHT * smooth(down.sum(axis=1)) + sure)
        if place is not None and turn >= BEAT_FROM:
            beat = _beat(level, CALM_WEIGHT * loud, strength, spectrum * shape, weight, place)
    strength = np.minimum(strength, LOUDEST * uniform_filter1d(strength, slow)) * beat
    groan = strength[:, np.newaxis] * spectrum * shape * calm
    quiet = loud[:, np.newaxis] * calm
    return np.maximum(groan, 1e-6 * quiet), quiet


def _beat(
    level: FloatArray,
    loud: FloatArray,
    strength: FloatArray,
    spectrum: FloatArray,
    weight: FloatArray,
    place: FloatArray,
) -> FloatArray:
    """How the groan swings over the pump's turn, shape (times,), mean about 1."""
    over = (level @ weight) / loud - weight.sum()
    due = strength * (spectrum @ weight) / loud
    both = _over_angle(np.stack([over, due], axis=1), place * BEAT_ANGLES, BEAT_ANGLES)
    shape = np.clip(both[:, 0] / np.maximum(both[:, 1], 1e-30), 0.2, 4.0)
    return np.asarray(_read((shape / shape.mean())[:, np.newaxis], place * BEAT_ANGLES)[:, 0])
