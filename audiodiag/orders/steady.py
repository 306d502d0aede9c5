"""What is left over crank angle when the engine's own rhythm is taken out, and what stands out of the rest.

A four-stroke engine repeats itself every two crank turns, so all its lines lie on half orders. The mean of
neighbouring cycles is that rhythm; without it the lines of parts that turn at ratios of their own remain,
also close to a half order (cycle-synchronous averaging; Braun, Mechanical Systems and Signal Processing
25(7), 2011, 2315-2327, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.records import FloatArray, read_only

__all__ = ["OrderLines", "order_lines", "without_engine"]

CYCLE_REV = 2
FLOOR_SHARE = 0.45
TINY = 1e-20


@dataclass(frozen=True, eq=False)
class OrderLines:
    """How far the lines of every order stand above what surrounds them.

    above_db: shape (n,), line ``i`` lies at ``i * spacing`` orders: mean power over the local floor, dB.
    block_db, floor_db: shape (m, n), level of each block and its floor. middle_rev: shape (m,), where the
    blocks lie, revolutions from the first sample. block_rev: their length.
    """

    above_db: FloatArray
    block_db: FloatArray
    floor_db: FloatArray
    middle_rev: FloatArray
    block_rev: float
    spacing: float

    def highest_near(self, orders: FloatArray, reach: float) -> FloatArray:
        """Give the highest line within ``reach`` of each order, NaN outside, shape as ``orders``."""
        middle = np.rint(np.asarray(orders, dtype=float) / self.spacing).astype(int)
        wide = round(reach / self.spacing)
        place = middle[..., np.newaxis] + np.arange(-wide, wide + 1)
        inside = (middle >= 0) & (middle < len(self.above_db))
        found = self.above_db[np.clip(place, 0, len(self.above_db) - 1)].max(axis=-1)
        return np.where(inside, found, np.nan)


def without_engine(values: FloatArray, samples_per_rev: int, *, cycles: float = 8.0) -> FloatArray:
    """Take the rhythm of two crank turns out of a signal over crank angle.

    Parameters
    ----------
    values:
        Shape (n,) or (n, k), equal crank angle between samples.
    cycles:
        Standard deviation of the bell of neighbouring cycles whose mean is taken away. The notch at every
        half order is 0.19 / (2 cycles) orders wide on either side (half of the amplitude).

    Returns
    -------
    The rest, shape (n,) or (n, k). Fewer than four cycles come back as they are.

    >>> turns = np.arange(64 * 100) / 64
    >>> rest = without_engine(np.cos(2 * np.pi * 1.5 * turns) + np.cos(2 * np.pi * 5.2 * turns), 64)
    >>> bool(abs(rest - np.cos(2 * np.pi * 5.2 * turns))[40 * 64 : 60 * 64].max() < 0.01)
    True
    """
    from scipy.ndimage import gaussian_filter1d

    cycle = CYCLE_REV * samples_per_rev
    whole = len(values) // cycle
    if whole < 4:
        return np.asarray(values)
    folded = values[: whole * cycle].reshape(whole, cycle, *values.shape[1:])
    rhythm = gaussian_filter1d(folded, cycles, axis=0, mode="nearest")
    rest: FloatArray = np.array(values)
    rest[: whole * cycle] -= rhythm.reshape(whole * cycle, *values.shape[1:])
    left = len(values) - whole * cycle
    rest[whole * cycle :] -= rhythm[-1, :left]
    return rest


def order_lines(
    values: FloatArray,
    samples_per_rev: int,
    *,
    block_rev: float,
    hop_rev: float,
    spacing: float,
    highest: float,
) -> OrderLines:
    """Give the lines of overlapping Hann blocks and their height above the floor.

    Parameters
    ----------
    values:
        Shape (n,), equal crank angle between samples, at least one block long.
    block_rev, hop_rev:
        Length of the blocks and distance of their starts, revolutions.
    spacing:
        Distance of the lines in orders; finer than a block gives, the blocks are padded with zeros.
    highest:
        Highest order.

    The floor of a block is the 45th percentile of one order around (of seven line widths, where that is
    more), so that lines do not lift it.

    >>> turns = np.arange(64 * 100) / 64
    >>> noise = np.random.default_rng(1).standard_normal(len(turns))
    >>> x = 0.5 * np.cos(2 * np.pi * 5.2 * turns) + noise
    >>> found = order_lines(x, 64, block_rev=40, hop_rev=20, spacing=0.0125, highest=28)
    >>> round(float(np.argmax(found.above_db)) * 0.0125, 2)
    5.2
    """
    length = min(int(block_rev * samples_per_rev), len(values))
    starts = np.arange(0, len(values) - length + 1, max(int(hop_rev * samples_per_rev), 1))
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window *= np.float32(2.0 / window.sum())
    fine = 1
    while fine * samples_per_rev / spacing < length:
        fine *= 2
    size = round(samples_per_rev / spacing) * fine
    blocks = np.lib.stride_tricks.sliding_window_view(np.asarray(values, dtype=np.float32), length)[starts]
    lines = scipy.fft.rfft(blocks * window, size, axis=1)[:, : round(highest / spacing) * fine]
    power = lines.real**2 + lines.imag**2
    if fine > 1:
        power = power.reshape(len(power), -1, fine).max(axis=2)
    level = 10.0 * np.log10(np.maximum(power, TINY))
    reach = max(0.5, 7.0 * samples_per_rev / length)
    floor = _floor_db(level, max(round(reach / spacing), 2))
    above = 10.0 * np.log10((10.0 ** (0.1 * (level - floor))).mean(axis=0))
    return OrderLines(
        above_db=read_only(above),
        block_db=read_only(level),
        floor_db=read_only(floor),
        middle_rev=read_only((starts + length / 2) / samples_per_rev),
        block_rev=length / samples_per_rev,
        spacing=spacing,
    )


def _floor_db(level: FloatArray, half: int) -> FloatArray:
    """Low percentile over ``2 half`` lines, every ``half`` lines, straight lines between; shape (m, n)."""
    count = level.shape[1]
    firsts = np.arange(0, max(count - 2 * half, 0) + 1, half)
    rank = int(FLOOR_SHARE * 2 * half)
    low = np.stack(
        [
            np.partition(level[:, a : a + 2 * half], min(rank, min(2 * half, count) - 1), axis=1)[
                :, min(rank, min(2 * half, count) - 1)
            ]
            for a in firsts
        ],
        axis=1,
    )
    place = np.clip((np.arange(count) - half - firsts[0]) / half, 0, len(firsts) - 1)
    left = place.astype(int)
    right = np.minimum(left + 1, len(firsts) - 1)
    part = (place - left).astype(np.float32)
    return low[:, left] * (1 - part) + low[:, right] * part
