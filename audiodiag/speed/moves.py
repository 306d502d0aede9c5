"""How does the whole spectrum move from frame to frame, whatever its octave?

On a logarithmic axis a change of speed shifts all lines of the engine alike. The shift that lays one frame
upon a later one says how the speed moves, without saying how high it is. A path that jumps to half or double
in the middle of a blip must pass through steps that the sound contradicts; with these steps weighed it stays
on its octave.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from audiodiag.records import FloatArray
from audiodiag.speed.front import CHANNELS, LOG_STEP
from audiodiag.speed.tracking import StepLaw

__all__ = ["contradiction", "measured_moves", "shift_likeness"]

TOGETHER = 3
"""Hops over which what a course has against it is added up."""

WEIGHTS: tuple[tuple[str, int, float], ...] = (
    ("low_short", 2, 13.2),
    ("low_short", 3, 3.0),
    ("envelope_short", 2, 9.9),
    ("envelope_short", 3, 4.7),
)
"""Channel, frames between, nats for a likeness of 1: fitted to the true steps of 50 simulated clips by the
softmax in which they are used; all four channels at 1, 2 and 3 frames were offered, the rest got nothing."""


def shift_likeness(spectra: FloatArray, *, lag: int, reach: int) -> FloatArray:
    """How like is each frame to the one ``lag`` later, shifted by k cells of the axis for each frame between?

    spectra: whitened levels, shape (frames, axis); what stands above the background counts. Returns shape
    (frames - lag, 2 reach + 1) for k from -reach to reach: the cosine between the two, less its mean over k.

    >>> frames = np.zeros((5, 60)); frames[range(5), 20 + 2 * np.arange(5)] = 3.0
    >>> [int(k) - 4 for k in shift_likeness(frames, lag=2, reach=4).argmax(axis=1)]
    [2, 2, 2]
    """
    heights = np.maximum(spectra, 0.0).astype(np.float32)
    size = scipy.fft.next_fast_len(heights.shape[1] + 2 * reach * lag + 1, real=True)
    turned = scipy.fft.rfft(heights, size, axis=1)
    together = scipy.fft.irfft(np.conj(turned[:-lag]) * turned[lag:], size, axis=1)
    shifts = lag * np.arange(-reach, reach + 1)
    energy = (heights**2).sum(axis=1)
    likeness = together[:, shifts % size] / (np.sqrt(energy[:-lag] * energy[lag:])[:, None] + 1e-9)
    return np.asarray(likeness - likeness.mean(axis=1, keepdims=True), float)


def contradiction(moves: FloatArray, rpm: FloatArray) -> float:
    """How much a course of speed goes against what moves in the sound, where it does so most, nats.

    Where a path changes from one comb to another, that of a pump while the engine idles, say, it moves as
    nothing in the sound does. Counted over ``TOGETHER`` hops, a step beside being as good; 0 or more.

    moves: log probability of each step from each frame to the next, shape (frames - 1, 2 reach + 1), from
    ``measured_moves``. rpm: the course at the frames, shape (frames,).

    >>> moves = np.log(np.tile([0.02, 0.02, 0.06, 0.1, 0.8], (5, 1)))
    >>> rising, falling = np.exp(2 * LOG_STEP * np.arange(6)), np.exp(-2 * LOG_STEP * np.arange(6))
    >>> round(contradiction(moves, rising), 3), round(contradiction(moves, falling), 3)
    (0.0, 11.067)
    """
    reach = moves.shape[1] // 2
    if not len(moves):
        return 0.0
    steps = np.clip(np.round(np.diff(np.log(rpm)) / LOG_STEP), -reach, reach).astype(int) + reach
    near = np.clip(steps[:, None] + np.arange(-1, 2), 0, 2 * reach)
    cost = moves.max(axis=1) - np.take_along_axis(moves, near, axis=1).max(axis=1)
    return float(np.convolve(cost, np.ones(TOGETHER)).max())


def measured_moves(spectra: FloatArray, law: StepLaw) -> FloatArray:
    """Give the log probability of each step from each frame to the next: the law's, as the sound bends it.

    spectra: those of the front end, shape (channels, frames, axis), one frame a hop. Returns shape
    (frames - 1, 2 reach + 1) for steps from -reach to reach cells; its exponentials sum to 1 over the steps.
    """
    frames = spectra.shape[1]
    moves = np.tile(np.log(law.kernel), (max(frames - 1, 0), 1))
    for channel, lag, nats in WEIGHTS:
        if frames <= lag + 1:
            continue
        likeness = shift_likeness(spectra[CHANNELS.index(channel)], lag=lag, reach=law.reach)
        around = np.pad(likeness, ((1, 1), (0, 0)), mode="edge")
        # A span of two steps tells of both, one of three of its middle.
        moves += nats * (0.5 * (around[:-1] + around[1:]) if lag == 2 else around[: frames - 1])
    moves -= moves.max(axis=1, keepdims=True)
    return np.asarray(moves - np.log(np.exp(moves).sum(axis=1, keepdims=True)))
