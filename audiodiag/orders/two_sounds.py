"""Two sounds in one: a calm that is known, and one of a single spectrum whose strength comes and goes.

The power of short frames in bands is explained by both: the calm, a little louder or softer from frame to
frame, and a sound of one spectrum, whose strength rises and falls and which may swing with a turn, a pump's,
say. How strict a mask between them must be the model says itself: as strict as is needed for the sound to
stand out of all others by a stated gain, and no stricter, so that much of it is kept.

Source: updates for the Itakura-Saito divergence (Fevotte, Bertin and Durrieu, Neural Computation 21(3), 2009,
793-830, from memory). The factors are assumptions of this program.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray
from audiodiag.signal.powers import mean_around

__all__ = ["STEEP", "WANTED_GAIN_DB", "Manner", "band_edges", "explained", "in_bands", "in_lines",
           "in_time", "over_angle", "read_at", "strict_share"]  # fmt: skip

ROUNDS = 25
"""Of updates; more change nothing that could be told. The swing is sought from ``SWING_FROM`` on."""
SWING_FROM = 5
SWING_ANGLES = 12
LEAST = 1e-30
"""No strength is held for less."""
STEEP = 3.0
"""How steep a share is in what speaks for it, where nothing else is said."""
WANTED_GAIN_DB = 12.5
"""Gain over all other sounds that the model must promise: 10 dB are the aim, the rest is for its errors."""


@dataclass(frozen=True)
class Manner:
    """How the sound that is sought behaves, and how far the calm is trusted.

    strength_s: over so many seconds its strength is smoothed. calm_weight: the calm is counted this many
    times while it is sought. sure_over: where the search begins, only what is over the calm by this factor
    is the sound's. steady_calm: how surely the calm is as loud as it was learnt, in frames; large holds it
    there. loudest: the sound is at most this many times as strong as ``slow_s`` around makes likely.
    """

    strength_s: float
    calm_weight: float = 1.3
    sure_over: float = 1.5
    steady_calm: float = 0.3
    loudest: float = math.inf
    slow_s: float = 0.5


def band_edges(hertz: FloatArray, low_hz: float, top_hz: float, per_octave: int) -> NDArray[np.intp]:
    """Give the first lines of bands of even width on a logarithmic axis, at least one line each.

    hertz: of the lines of a frame.

    >>> band_edges(np.arange(65) * 125.0, 1000.0, 4000.0, 2).tolist()
    [8, 12, 16, 23, 32]
    """
    wanted = low_hz * 2.0 ** (np.arange(0, 12 * per_octave) / per_octave)
    return np.unique(np.searchsorted(hertz, wanted[wanted <= top_hz]))


def in_bands(power: FloatArray, edges: NDArray[np.intp]) -> FloatArray:
    """Give the mean power in each band, shape (frames, bands), above nothing; power: (frames, lines).

    >>> in_bands(np.array([[1.0, 3.0, 5.0]]), np.array([0, 2, 3])).tolist()
    [[2.0, 5.0]]
    """
    bands = np.stack([power[:, a:b].mean(axis=1) for a, b in itertools.pairwise(edges)], axis=1)
    return np.maximum(bands, max(1e-12 * float(bands.max()), 1e-30))


def in_time(bands: FloatArray) -> FloatArray:
    """Give each power with its neighbours in time, shape (frames, bands), above nothing as ``bands`` are.

    >>> in_time(np.array([[1.0], [4.0], [1.0]])).ravel().tolist()
    [2.0, 2.0, 2.0]
    """
    return np.asarray(np.maximum(mean_around(bands.T, 3, mode="reflect").T, bands.min()))


def in_lines(share: FloatArray, edges: NDArray[np.intp], count: int) -> FloatArray:
    """Give the share of each band to its lines, shape (frames, count), float32; 0 beside the bands.

    >>> in_lines(np.array([[0.5, 1.0]]), np.array([1, 3, 4]), 5).tolist()
    [[0.0, 0.5, 0.5, 1.0, 0.0]]
    """
    gain = np.zeros((len(share), count), np.float32)
    gain[:, edges[0] : edges[-1]] = np.repeat(share, np.diff(edges), axis=1)
    return gain


def explained(
    bands: FloatArray,
    calm: FloatArray,
    weight: FloatArray,
    hop_s: float,
    manner: Manner,
    turned: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Give the powers of the sound that is sought and of the calm, shape (frames, bands) each.

    The sound's is strength times spectrum times swing; multiplying updates in units of the calm.

    Parameters
    ----------
    bands, calm:
        Powers of the clip and of its calm as it was learnt, shape (frames, bands).
    weight:
        Of each band, shape (bands,).
    hop_s:
        From frame to frame.
    manner:
        How the sound behaves.
    turned:
        Turns with which it swings, shape (frames,); None: with none.

    >>> calm = np.random.default_rng(1).chisquare(8, (200, 6)) / 8
    >>> there = np.where(np.arange(200) % 40 < 10, 20.0, 0.0)[:, None] * np.array([0, 0, 1, 1, 0, 0])
    >>> sound, quiet = explained(calm + there, np.ones((200, 6)), np.ones(6), 0.01, Manner(0.02))
    >>> bool(sound[:10, 2].mean() > 15), bool(sound[15:35, 2].mean() < 0.2), bool(sound[:10, 0].mean() < 1)
    (True, True, True)
    """
    width, slow = max(round(manner.strength_s / hop_s), 1), max(round(manner.slow_s / hop_s), 1)

    def smooth(values: FloatArray) -> FloatArray:
        return mean_around(values, width, mode="reflect") + LEAST

    level = bands / calm
    shape = calm.mean(axis=0) / calm
    over = np.maximum(level - manner.sure_over, 0.0)
    strength = smooth(over @ weight / weight.sum()) + 1e-6
    spectrum = np.maximum((over / shape * strength[:, np.newaxis]).sum(axis=0) / (strength**2).sum(), 1e-12)
    place = None if turned is None else turned % 1.0
    loud: FloatArray = np.ones(len(bands))
    beat: FloatArray = np.ones(len(bands))
    sure = manner.steady_calm * weight.sum()

    def pulls(sound: FloatArray) -> tuple[FloatArray, FloatArray]:
        model = manner.calm_weight * loud[:, np.newaxis] + sound
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
        raised = manner.calm_weight * smooth(up.sum(axis=1)) * loud + sure
        loud = raised / (manner.calm_weight * smooth(down.sum(axis=1)) + sure)
        if place is not None and turn >= SWING_FROM:
            beat = _swing(level, manner.calm_weight * loud, strength, spectrum * shape, weight, place)
    usual = mean_around(strength, slow, mode="reflect") + LEAST
    strength = np.minimum(strength, manner.loudest * usual) * beat
    sound = strength[:, np.newaxis] * spectrum * shape * calm
    quiet = loud[:, np.newaxis] * calm
    return np.maximum(sound, 1e-6 * quiet), quiet


def _swing(
    level: FloatArray,
    loud: FloatArray,
    strength: FloatArray,
    spectrum: FloatArray,
    weight: FloatArray,
    place: FloatArray,
) -> FloatArray:
    """How the sound swings over a turn, shape (frames,), mean about 1."""
    over = (level @ weight) / loud - weight.sum()
    due = strength * (spectrum @ weight) / loud
    both = over_angle(np.stack([over, due], axis=1), place * SWING_ANGLES, SWING_ANGLES)
    shape = np.clip(both[:, 0] / np.maximum(both[:, 1], 1e-30), 0.2, 4.0)
    return np.asarray(read_at((shape / shape.mean())[:, np.newaxis], place * SWING_ANGLES)[:, 0])


def strict_share(
    evidence: FloatArray,
    sound: FloatArray,
    calm: FloatArray,
    near: FloatArray,
    unit: FloatArray,
    between: tuple[float, float],
) -> FloatArray:
    """Give the share of each cell, shape (frames, bands), as strict as the model says the wanted gain needs.

    ``evidence``: log odds; ``sound``, ``calm``: what the model expects of both; ``near``: what is there;
    ``unit``: what a power in each band is of the whole clip's; ``between``: least and greatest strictness, in
    doublings of a power ratio.
    """
    model = sound + calm
    found, left = near * sound / model * unit, near * calm / model * unit
    before = found.sum() / max(1.0 - found.sum(), 1e-6)
    share = np.zeros_like(evidence)
    for strictness in np.arange(between[0], between[1] + 0.25, 0.5):
        against = STEEP * np.log(2.0) * strictness - evidence
        share = 1.0 / (1.0 + np.exp(np.clip(against, -60.0, 60.0)))
        passed = share**2
        if (passed * found).sum() >= 10.0 ** (WANTED_GAIN_DB / 10.0) * before * (passed * left).sum():
            break
    return share


def over_angle(values: FloatArray, place: FloatArray, count: int) -> FloatArray:
    """Give the mean of values at each of ``count`` angles, shape (count, bands), few drawn to that of all.

    place: of each row, shape (rows,), one a step of the angles.
    """
    mean = values.mean(axis=0)
    total = np.tile(2.0 * mean, (count, 1))
    weight = np.full(count, 2.0)
    low = np.floor(place).astype(int) % count
    part = place % 1.0
    for index, share in ((low, 1.0 - part), ((low + 1) % count, part)):
        np.add.at(total, index, values * share[:, np.newaxis])
        np.add.at(weight, index, share)
    return np.asarray(total / weight[:, np.newaxis])


def read_at(model: FloatArray, place: FloatArray) -> FloatArray:
    """Read a model (angles, bands) at fractional angles, shape (rows, bands)."""
    low = np.floor(place).astype(int) % len(model)
    part = (place % 1.0)[:, np.newaxis]
    return np.asarray(model[low] * (1 - part) + model[(low + 1) % len(model)] * part)
