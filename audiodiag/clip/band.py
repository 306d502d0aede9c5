"""The band that a recording really carries: where its spectrum falls off a cliff above, and below."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.spectra import Spectra
from audiodiag.records import FloatArray
from audiodiag.signal.powers import mean_around

__all__ = ["lower_edge_hz", "upper_edge_hz"]

_CLIFF_DB = 14.0
_LOWEST_HZ = 20.0


def _smoothed_db(power: FloatArray, width: int) -> FloatArray:
    return 10.0 * np.log10(mean_around(power.astype(np.float64), width, mode="reflect") + 1e-20)


def _three_db_index(level_db: FloatArray, index: int, beyond: int) -> int:
    """Give the highest line within 3 dB of the level shortly below it, starting from an index in the fall."""
    edge = index
    for _ in range(8):
        reference_db = float(
            np.median(level_db[round(0.78 * edge) : max(round(0.93 * edge), round(0.78 * edge) + 3)])
        )
        within = np.flatnonzero(level_db[:beyond] > reference_db - 3.0)
        found = int(within[-1]) if within.size else edge
        if found == edge or found < 0.65 * index:
            break
        edge = found
    return edge


def upper_edge_hz(spectra: Spectra) -> float:
    """Find the frequency above which a coding or filter took everything away, else the half sample rate.

    The edge is the highest frequency whose surroundings below stand 14 dB or more above everything beyond it
    (with a transition of at most 12 % of the frequency); the value given is where the level has fallen 3 dB.
    """
    mean = np.mean(spectra.power, axis=0)
    level_db = _smoothed_db(mean, 5)
    step_hz = float(spectra.frequency_hz[1])
    count = level_db.size
    top_hz = float(spectra.frequency_hz[-1])
    above_db = np.maximum.accumulate(level_db[::-1])[::-1]  # the highest level from here upwards
    index = np.arange(count - 4, round(1000.0 / step_hz), -1)
    width = np.maximum(8, (0.04 * index).astype(int))
    sums = np.concatenate(([0.0], np.cumsum(level_db)))
    plateau_db = (sums[index] - sums[index - width]) / width
    before_db = (sums[index - 3 * width] - sums[index - 4 * width]) / width
    beyond = np.minimum(count - 2, index + np.maximum(4, (0.12 * index).astype(int)))
    drop_db = plateau_db - above_db[beyond]
    # A cliff, and not the slope of the sound below going on.
    natural_db = np.maximum(0.0, before_db - plateau_db) * (beyond - index) / (3.0 * width)
    for at in np.flatnonzero(drop_db - natural_db >= _CLIFF_DB)[:1]:
        return min(
            top_hz, (_three_db_index(_smoothed_db(mean, 3), int(index[at]), int(beyond[at])) + 0.5) * step_hz
        )
    return top_hz


def lower_edge_hz(spectra: Spectra) -> float:
    """Find the frequency below which the floor of the spectrum is missing, else 20 Hz.

    The floor (the lower quartile of the lines, which an engine's comb does not reach) of the octave above a
    frequency is compared with the floor below it; a fall of 15 dB or more within about an octave is a
    high-pass.
    """
    from scipy import fft

    signal, rate_hz = spectra.low_signal, spectra.low_rate_hz
    length = 1 << round(np.log2(rate_hz * 0.5))
    frames = signal[: signal.size // length * length].reshape(-1, length)
    frames = frames[:: max(1, frames.shape[0] // 120)]
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    power = np.mean(np.abs(fft.rfft(frames * window, axis=1)) ** 2, axis=0) + 1e-20
    frequency_hz = np.arange(power.size) * rate_hz / length

    def floor_db(low_hz: float, high_hz: float) -> float:
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return 10.0 * float(np.log10(np.quantile(power[inside], 0.25)))

    edge_hz = _LOWEST_HZ
    for candidate_hz in 400.0 * 2.0 ** (-np.arange(0.0, 3.7, 1.0 / 6.0)):
        above = floor_db(candidate_hz, 2.0 * candidate_hz)
        below = floor_db(max(8.0, candidate_hz / 2.6), candidate_hz / 1.5)
        if above - below >= 15.0:
            edge_hz = max(_LOWEST_HZ, float(candidate_hz) / 1.5)  # where the missing part ends
            break
    return edge_hz
