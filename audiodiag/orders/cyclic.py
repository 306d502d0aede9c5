"""Does noise swing with a machine part, in which band, and how surely is that no chance?

Noise whose power swings at the rate a has frequencies that are correlated in pairs a apart. The cyclic
coherence is that correlation, normalised like any coherence: 0 for steady noise, and ``m / (1 + m² / 2)`` for
white noise whose amplitude is multiplied by ``1 + m cos``. Source: Antoni, "Cyclic spectral analysis in
practice", Mechanical Systems and Signal Processing 21 (2007), 597-630 (averaged cyclic periodogram, from
memory). The carrier stays in Hz while the swing is counted in events per crank revolution, so that it stands
still when the speed does not: Abboud, Antoni, Eltabach and Sieg-Zieba, Measurement 75 (2015), 29-39 (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import ClipError, UsageError
from audiodiag.records import FloatArray, read_only

__all__ = ["CyclicCoherence", "chance_coherence", "cyclic_coherence"]

OVERLAP = 0.75
FEWEST_FRAMES = 8


@dataclass(frozen=True, eq=False)
class CyclicCoherence:
    """Cyclic coherence over rates of swing and carriers.

    cyclic_order: shape (a,), events per unit of the phase (crank revolution). frequency_hz: shape (f,), the
    carrier. coherence: complex, shape (a, f), modulus 0 to 1; its angle is that of the swing at phase 0.
    ``averages``: number of independent frames behind it; ``spacing_hz``: width of a frame's line.
    """

    cyclic_order: FloatArray
    frequency_hz: FloatArray
    coherence: NDArray[np.complexfloating]
    averages: float
    spacing_hz: float

    def chance(self, probability: float = 0.01) -> float:
        """Modulus that one cell passes by chance with this probability (:func:`chance_coherence`)."""
        return chance_coherence(self.averages, probability)

    def together(self, low_hz: float = 0.0, high_hz: float = np.inf) -> FloatArray:
        """Mean squared modulus over a band less what chance gives, shape (a,); about 0 where no swing is.

        For white noise of modulation index m: ``(m / (1 + m² / 2))²`` at the rate of the swing.
        """
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz)
        square = np.abs(self.coherence[:, inside]) ** 2
        by_chance = 1.0 / self.averages
        return np.asarray((square.mean(axis=1) - by_chance) / (1.0 - by_chance))


def chance_coherence(averages: float, probability: float = 0.01) -> float:
    """Give the modulus of coherence that steady noise passes with a probability.

    ``sqrt(1 - p^(1 / (K - 1)))`` for K independent frames: the distribution of the sample coherence of
    independent Gaussian signals (Goodman 1957; Carter, Proceedings of the IEEE 75(2), 1987, 236-255, from
    memory).

    >>> round(chance_coherence(101, 0.01), 3)
    0.212
    """
    if averages <= 1.0 or not 0.0 < probability < 1.0:
        raise UsageError(
            "there is no chance level for this",
            got=f"{averages:g} averages, probability {probability:g}",
            allowed="more than one average, a probability between 0 and 1",
            todo="use a longer clip or shorter frames",
        )
    return float(np.sqrt(1.0 - probability ** (1.0 / (averages - 1.0))))


def cyclic_coherence(
    samples: ArrayLike,
    rate_hz: float,
    phase_rev: ArrayLike,
    cyclic_order: ArrayLike,
    *,
    frame_s: float = 0.02,
) -> CyclicCoherence:
    """Find how the frequencies of a sound swing together with a machine part.

    Parameters
    ----------
    samples:
        Shape (n,), full scale is 1; tones taken out first, for a tone is coherent with its own harmonics.
    rate_hz:
        Sample rate; for sound over crank angle the samples a revolution, then every Hz here reads "order".
    phase_rev:
        Shape (n,), crank revolutions at every sample (``CrankAngle.rev_at``); for the plain cyclic coherence
        seconds, then the rates are in Hz.
    cyclic_order:
        Shape (a,), rates of swing per revolution, above 0: R, 2 R and R z for a groan.
    frame_s:
        Length of a frame; lines are 1 / frame_s apart, rates are resolved to one over the whole length.

    Raises
    ------
    UsageError
        If shapes or rates do not fit.
    ClipError
        If there are fewer than eight frames.

    >>> rng = np.random.default_rng(1)
    >>> seconds = np.arange(80000) / 8000
    >>> noise = rng.standard_normal(80000) * (1 + 0.8 * np.cos(2 * np.pi * 20 * seconds))
    >>> found = cyclic_coherence(noise, 8000, seconds, [20.0, 23.0])
    >>> np.sqrt(np.maximum(found.together(200, 3800), 0)).round(1).tolist(), round(0.8 / (1 + 0.8**2 / 2), 1)
    ([0.6, 0.0], 0.6)
    """
    x = np.asarray(samples, dtype=np.float64)
    turned = np.asarray(phase_rev, dtype=np.float64)
    rates = np.atleast_1d(np.asarray(cyclic_order, dtype=float))
    if x.ndim != 1 or turned.shape != x.shape or rates.ndim != 1 or not (rates > 0).all():
        raise UsageError(
            "sound, phase and rates of swing do not belong together",
            got=f"{x.shape} samples, {turned.shape} phases, rates from {rates.min(initial=np.inf):g}",
            allowed="one phase for every sample, rates above 0",
            todo="take the phase from the crank angle at every sample",
        )
    frame = 2 * max(round(0.5 * frame_s * rate_hz), 4)
    hop = max(int(frame * (1.0 - OVERLAP)), 1)
    count = (len(x) - frame) // hop + 1
    if count * (1.0 - OVERLAP) < FEWEST_FRAMES:
        raise ClipError(
            "the sound is too short for a coherence",
            got=f"{len(x) / rate_hz:.3g} s",
            allowed=f"at least {FEWEST_FRAMES + 1} frames of {frame / rate_hz:.3g} s",
            todo="use a longer clip or shorter frames",
        )
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frame) + 0.5) / frame)
    coherence = np.empty((len(rates), frame // 2 + 1), dtype=complex)
    for row, rate in enumerate(rates):
        turn = np.exp(1j * np.pi * ((rate * turned) % 2.0))
        upper = _spectra(x * np.conj(turn), window, frame, hop)
        lower = _spectra(x * turn, window, frame, hop)
        cross = (upper * np.conj(lower)).mean(axis=0)
        level = (np.abs(upper) ** 2).mean(axis=0) * (np.abs(lower) ** 2).mean(axis=0)
        coherence[row] = cross / np.sqrt(np.maximum(level, 1e-300))
    coherence.flags.writeable = False
    return CyclicCoherence(
        cyclic_order=read_only(rates),
        frequency_hz=read_only(np.arange(frame // 2 + 1) * rate_hz / frame),
        coherence=coherence,
        averages=_independent(window, hop, count),
        spacing_hz=rate_hz / frame,
    )


def _spectra(
    values: NDArray[np.complexfloating], window: FloatArray, frame: int, hop: int
) -> NDArray[np.complexfloating]:
    """Lower half of the spectra of overlapping frames, shape (frames, frame // 2 + 1)."""
    frames = np.lib.stride_tricks.sliding_window_view(values, frame)[::hop]
    return np.asarray(scipy.fft.fft(frames * window, axis=1)[:, : frame // 2 + 1])


def _independent(window: FloatArray, hop: int, count: int) -> float:
    """Number of independent frames that overlapping ones are worth (Welch 1967, from memory)."""
    total = 1.0
    energy = float(np.sum(window**2))
    for lag in range(1, min(-(-len(window) // hop), count)):
        alike = float(np.sum(window[lag * hop :] * window[: -lag * hop])) / energy
        total += 2.0 * (1.0 - lag / count) * alike**2
    return count / total
