"""Is there a steady rhythm below the firings of a fast reading that its engine could not make?

A loud pump or alternator has a comb of its own, at many times the engine's speed. Followed as if it were the
firings, it makes a fast engine of it, with sharp lines and high odds. But the engine still fires, slower than
what was followed, and is heard: in how loud the bands are, and in the low sound. All that an engine of N
cylinders repeats lies at multiples of 1/N of its firing rate. A line below the firing rate that is none of
these belongs to something that the reading does not explain, and the reading deserves less trust.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from audiodiag.records import FloatArray
from audiodiag.signal.powers import power_of
from audiodiag.speed.firings import Swells
from audiodiag.speed.front import Baseband

__all__ = ["doubt", "lines_below"]

LOW_HZ = (15.0, 110.0)
A_FIRING, TREND_FIRINGS, LEAST_FIRINGS = 6, 8, 30
"""Values a firing interval; what is slower than so many firings is no rhythm; fewest that are looked at."""
TOP_PLACE, AROUND, THINNED = 2.2, 0.3, 4
"""Spectra reach so many cycles a firing; the ground is the median of places within a width, thinned."""
FIRST_PLACE, LAST_PLACE, LEAST_CYCLES = 0.07, 0.95, 8.0
NEAR_PLACE, NEAR_BINS = 0.006, 4.0
LEAST_SCATTER = 0.03
SLOW_RPM, FAST_SHARE = 1000.0, 1.3
"""Up to this speed a reading is not doubted; from so many times as much it is doubted fully."""
USUAL_BANDS, CLEAR_BANDS = 5.0, 10.0
"""Heights of a line in the bands' levels that mean nothing, and that count fully."""
USUAL_LOW, COUNTS, MOST_DOUBT = 3.6, 3.0, 3.0
"""Height of a line in the low sound that means nothing; what each unit above it takes off the logarithm of
the odds, and how much at most. Fitted on simulated clips, usual ones and such with a loud whine."""


def lines_below(
    sound: Swells, low: Baseband, time_s: FloatArray, firing_hz: FloatArray, cylinders: int
) -> tuple[float, float] | None:
    """Height of the highest line below the firing rate that is no multiple of 1/N of it.

    sound: from ``firings.swells``. low: the low sound of the same clip. time_s, firing_hz: the firing rate
    over time, shape (n,). Returns heights in standard deviations of the spectrum's own scatter, of the bands'
    levels and of the low sound; None for too few firings.

    >>> quiet = Swells(np.zeros((100, 4), np.float32))
    >>> lines_below(quiet, Baseband(np.zeros(360), 2400.0), np.arange(3) / 20, np.full(3, 30.0), 4) is None
    True
    """
    at = np.linspace(time_s[0], time_s[-1], 20 * len(time_s))
    rate = np.interp(at, time_s, firing_hz)
    fired = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(at))])
    count = int(fired[-1])
    if count < LEAST_FIRINGS:
        return None
    when = np.interp((np.arange(count * A_FIRING) + 0.5) / A_FIRING, fired, at)
    filtered = low.between_hz(*LOW_HZ)
    shape = np.interp(when * low.rate_hz, np.arange(len(filtered)), filtered)
    return _highest(sound.at(when).astype(float), cylinders), _highest(shape[:, None], cylinders)


def _highest(table: FloatArray, cylinders: int) -> float:
    """Highest line of a table (values, columns) that an engine of so many cylinders has not."""
    flat = table - uniform_filter1d(table, TREND_FIRINGS * A_FIRING | 1, axis=0, mode="nearest")
    spread = flat.std(axis=0)
    flat = np.clip(flat[:, spread > 1e-9] / spread[spread > 1e-9], -4.0, 4.0)
    if not flat.shape[1]:
        return 0.0
    size = scipy.fft.next_fast_len(4 * len(flat), real=True)
    power = power_of(scipy.fft.rfft(flat * np.hanning(len(flat))[:, None], size, axis=0))
    place = np.arange(len(power)) * A_FIRING / size
    inside = place < TOP_PLACE
    place, level = place[inside], np.log(power[inside].mean(axis=1) + 1e-12)
    near = maximum_filter1d(level, 5)
    width = max(int(AROUND / place[1]), 31)
    thin = np.arange(0, len(near), THINNED)
    ground = np.interp(np.arange(len(near)), thin, median_filter(near[thin], size=width // THINNED | 1))
    height = near - ground
    scatter = max(-float(np.quantile(height[place > FIRST_PLACE], 0.16)), LEAST_SCATTER)
    firings = len(flat) / A_FIRING
    own = np.abs(place - np.round(place * cylinders) / cylinders) <= max(NEAR_BINS / firings, NEAR_PLACE)
    free = (place > max(LEAST_CYCLES / firings, FIRST_PLACE)) & (place < LAST_PLACE) & ~own
    return float(height[free].max() / scatter) if free.any() else 0.0


def doubt(heights: tuple[float, float], rpm: float) -> float:
    """How much less the logarithm of the odds of a reading should be, natural, 0 or more.

    heights: from ``lines_below``; both must be clear, since idlers and belts beat in the bands alone. rpm:
    the usual speed of the reading.

    >>> doubt((15.0, 8.0), 800.0), doubt((15.0, 1.0), 3000.0), doubt((15.0, 8.0), 3000.0)
    (0.0, 0.0, 3.0)
    """
    fast = np.clip(np.log(rpm / SLOW_RPM) / np.log(FAST_SHARE), 0.0, 1.0)
    bands, low = heights
    clear = np.clip((bands - USUAL_BANDS) / (CLEAR_BANDS - USUAL_BANDS), 0.0, 1.0)
    return float(fast * clear * np.clip(COUNTS * (low - USUAL_LOW), 0.0, MOST_DOUBT))
