"""Engine speed through fast glides: the clip heard as it would sound if the speed stood still.

Under a blip of the throttle an engine doubles its speed within half a second: in any window that is long
enough to part its lines they smear, and a path of speeds passes over the blip or leaves its octave. So where
the spectrum moves, each window is also laid out as if the speed glided through it by one of ``PACES``, a
constant share a second; at the right pace the lines stand sharp. Speed and pace are then followed together:
the pace says where the speed must be a moment later.

The windows are those of a chirp transform by warping of time (after Weruaga and Képesi, Signal Processing
87(6), 2007, 1504, from memory), here with a speed that glides geometrically, so that on the logarithmic axis
all lines glide alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from audiodiag.records import FloatArray
from audiodiag.speed.front import (
    CHANNELS,
    HOP_S,
    LOG_STEP,
    WINDOWS_S,
    Baseband,
    FrontEnd,
    on_axis,
    whiten,
)

__all__ = [
    "PACES", "STILL", "GlideSpectra", "follow_glides", "glide_spectra", "moving_frames", "nearest_paces",
    "of_paces",
]  # fmt: skip

PACES: tuple[float, ...] = (
    -1.7, -1.35, -1.05, -0.8, -0.55, -0.35, -0.17, 0.0,
    0.2, 0.45, 0.75, 1.1, 1.5, 1.95, 2.45, 3.0, 3.6,
)  # fmt: skip
"""Change of the logarithm of the speed in a second. An engine rises faster than it falls."""
STILL = PACES.index(0.0)
STANDS = 0.1
"""A speed whose pace is less than this stands."""
FAST_PACE, FAST_LONG_S = 0.6, 0.5
"""From this pace on the long window is shorter: no glide lasts long."""
LEAST_MOVING, STILL_STEPS, AROUND_S = 0.1, 2, 0.5
"""A frame moves where the measured steps give so much probability to more than so many cells of the axis in a
hop, and so do the frames within this time around it."""
FINER = 8
"""Samples of the fine signal for one of the coarse: the nearest of them is taken."""
ENVELOPE_RATE_HZ = 1200.0
FFT_LONGEST = 4096
STAY, NEXT = 0.6, 0.3
"""Probability that the pace stays from frame to frame, and that it moves to one of the two beside it; the
rest is shared by all, since a foot on the throttle makes any pace of any other."""
JITTER_NARROW, JITTER_WIDE, JITTER_WIDE_SHARE, JITTER_REACH = 1.0, 4.0, 0.1, 6
"""By how many cells of the grid the speed may miss what the pace foretells: two exponentials, their share."""
PACE_COST = 0.3
"""Nats that a pace of 1 costs in each frame."""


@dataclass(frozen=True, eq=False)
class GlideSpectra:
    """Whitened spectra at each pace, for the frames in which the spectrum moves.

    frames: the indices of these frames, shape (n,). spectra: shape (paces, channels, n, axis), as those of
    the front end; those of the pace 0 are the front end's own.
    """

    frames: NDArray[np.intp]
    spectra: FloatArray


def moving_frames(moves: FloatArray) -> NDArray[np.intp]:
    """Find the frames in which the spectrum may move fast.

    moves: log probability of each step from each frame to the next, shape (frames - 1, 2 reach + 1).
    """
    reach = moves.shape[1] // 2
    near = np.exp(moves[:, reach - STILL_STEPS : reach + STILL_STEPS + 1]).sum(axis=1)
    hops = near < 1.0 - LEAST_MOVING
    frames = np.append(hops, False) | np.append(False, hops)
    return np.flatnonzero(maximum_filter1d(frames.astype(np.int8), 1 + round(AROUND_S / HOP_S)))


def nearest_paces(paces: FloatArray) -> NDArray[np.intp]:
    """Give the index of the nearest of ``PACES`` for each change of the logarithm of speed in a second.

    >>> [PACES[k] for k in nearest_paces(np.array([0.05, -0.09, 0.3, -9.0]))]
    [0.0, 0.0, 0.2, -1.7]
    """
    nearest = np.abs(np.subtract.outer(paces, np.array(PACES))).argmin(axis=1)
    return np.where(np.abs(paces) < STANDS, STILL, nearest)


def _warped(pace: float, length: int, rate_hz: float) -> tuple[FloatArray, float]:
    """Give the times within a window at even steps of a gliding speed's angle, and how many make one unit.

    The speed in the middle of the window is 1 a second; times in seconds from the middle, shape (length,).

    >>> times, rate = _warped(2.0, 5, 10.0)
    >>> [float(round(t, 3)) for t in times], round(float(rate), 2)
    ([-0.171, -0.042, 0.06, 0.145, 0.217], 9.6)
    """
    half = 0.5 * length / rate_hz
    even = (np.arange(length) + 0.5) / length
    if pace == 0.0:
        return half * (2.0 * even - 1.0), rate_hz
    first, last = np.expm1(-pace * half) / pace, np.expm1(pace * half) / pace
    return np.log1p(pace * (first + (last - first) * even)) / pace, length / (last - first)


@dataclass(frozen=True, eq=False)
class _Fine:
    """A signal on so fine a grid that the nearest sample will do; ``margin`` coarse ones beside it are 0."""

    samples: FloatArray
    rate_hz: float
    margin: int

    def power(self, time_s: FloatArray, window_s: float, pace: float, size: int) -> tuple[FloatArray, float]:
        """Give the power spectra of warped windows, shape (times, size // 2 + 1), and their step in hertz."""
        length = int(window_s * self.rate_hz)
        times, rate = _warped(pace, length, self.rate_hz)
        inside = np.round(times * self.rate_hz * FINER).astype(np.int32)
        middle = (np.round(time_s * self.rate_hz).astype(np.int32) + self.margin) * FINER
        windows = self.samples[middle[:, None] + inside] * np.hanning(length).astype(np.float32)
        turned = scipy.fft.rfft(windows, size, axis=1)
        return turned.real**2 + turned.imag**2, rate / size


def _fine(signal: Baseband, rate_hz: float) -> _Fine:
    """Lay a signal on the fine grid by its spectrum, band limited to ``rate_hz``."""
    count = len(signal.samples)
    size = scipy.fft.next_fast_len(count + int(0.1 * signal.rate_hz), real=True)
    turned = scipy.fft.rfft(signal.samples.astype(np.float32), size)
    turned[int(0.5 * size * min(1.0, rate_hz / signal.rate_hz)) :] = 0.0
    out = round(size * rate_hz * FINER / signal.rate_hz)
    rate = out / size * signal.rate_hz / FINER
    kept = int(count / signal.rate_hz * rate) * FINER
    margin = int(0.5 * max(WINDOWS_S.values()) * rate) + 2
    fine = np.pad(scipy.fft.irfft(turned, out)[:kept] * (out / size), (margin * FINER, 2 * margin * FINER))
    return _Fine(fine.astype(np.float32), rate, margin)


def glide_spectra(bands: Sequence[Baseband], front: FrontEnd, frames: NDArray[np.intp]) -> GlideSpectra:
    """Compute the spectra of some frames at every pace.

    bands: from ``basebands``. front: the front end of these. frames: which of its frames, shape (n,).
    """
    axis = front.axis_hz
    spectra = np.zeros((len(PACES), len(CHANNELS), len(frames), len(axis)), np.float32)
    spectra[STILL] = front.spectra[:, frames]
    if not len(frames):
        return GlideSpectra(frames, spectra)
    time_s = front.time_s[frames]
    low = _fine(bands[0], bands[0].rate_hz)
    swells = [_fine(band, min(ENVELOPE_RATE_HZ, band.rate_hz)) for band in bands[1:]]
    heard = axis < 0.45 * ENVELOPE_RATE_HZ
    for place, pace in enumerate(PACES):
        if place == STILL:
            continue
        for channel, name in enumerate(CHANNELS):
            kind, window = name.split("_")
            slow = window == "short" or abs(pace) < FAST_PACE
            window_s = WINDOWS_S[window] if slow else FAST_LONG_S
            size = FFT_LONGEST if window_s > FAST_LONG_S else FFT_LONGEST // 2
            if kind == "low":
                power, step_hz = low.power(time_s, window_s, pace, size)
                level = on_axis(power, step_hz, axis)
                spectra[place, channel] = whiten(np.log(level + 1e-12 * level.max() + 1e-30))
            elif swells:
                total = np.zeros((len(frames), size // 4 + 1), np.float32)
                for swell in swells:
                    power, step_hz = swell.power(time_s, window_s, pace, size // 2)
                    total += power / (np.mean(power[:, int(3.0 / step_hz) : int(250.0 / step_hz)]) + 1e-30)
                level = on_axis(total, step_hz, axis[heard])
                spectra[place, channel][:, heard] = whiten(np.log(level + 1e-9))
    return GlideSpectra(frames, spectra)


def of_paces(front: FrontEnd, glides: GlideSpectra, paces: NDArray[np.intp]) -> FrontEnd:
    """Give the front end as heard along a path of paces, indices of ``PACES``, shape (frames,)."""
    spectra = front.spectra.copy()
    for place, frame in enumerate(glides.frames):
        spectra[:, frame] = glides.spectra[paces[frame], :, place]
    return FrontEnd(spectra, front.axis_hz, front.time_s, front.energy_db)


def _jitter() -> FloatArray:
    steps = np.abs(np.arange(-JITTER_REACH, JITTER_REACH + 1))
    narrow, wide = np.exp(-steps / JITTER_NARROW), np.exp(-steps / JITTER_WIDE)
    law = (1 - JITTER_WIDE_SHARE) * narrow / narrow.sum() + JITTER_WIDE_SHARE * wide / wide.sum()
    return np.log(law).astype(np.float32)


def _pace_law() -> FloatArray:
    """Log probability of going from one pace to another in a hop, shape (paces, paces)."""
    count = len(PACES)
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    law = np.where(apart == 0, STAY, np.where(apart == 1, 0.5 * NEXT, (1.0 - STAY - NEXT) / count))
    return np.log(law).astype(np.float32)


def follow_glides(
    still: FloatArray, gliding: FloatArray, frames: NDArray[np.intp], *, temper: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Find the most probable path of speed and pace (Viterbi).

    still: scores of each speed at the pace 0, nats, shape (frames of the clip, grid). gliding: those at every
    pace for some of the frames, shape (paces, n, grid). frames: these, ascending. temper: share of a score
    that counts in a frame. Returns the indices on the grid and of ``PACES``, shape (frames of the clip,)
    each; outside ``frames`` the pace is 0.
    """
    count, grid = still.shape
    jitter, law = _jitter(), _pace_law()
    shifts = np.array([round(pace * HOP_S / LOG_STEP) for pace in PACES])
    cost = np.asarray(PACE_COST * np.abs(PACES), np.float32)[:, None]
    margin = JITTER_REACH + int(np.abs(shifts).max())
    place = np.full(count, -1)
    place[frames] = np.arange(len(frames))
    only, every = np.array([STILL]), np.arange(len(PACES))
    rows = [every if place[f] >= 0 else only for f in range(count)]

    def scored(frame: int) -> FloatArray:
        """Scores at the paces that are open in a frame, shape (open, grid)."""
        if place[frame] < 0:
            return np.asarray(temper * still[frame][None], np.float32)
        return np.asarray(temper * (gliding[:, place[frame]] - cost), np.float32)

    best = [scored(0)]
    for f in range(1, count):
        before, now = rows[f - 1], rows[f]
        held = np.full((len(before), grid + 2 * margin), -1e9, np.float32)
        held[:, margin : margin + grid] = best[-1]
        wide = np.stack([
            row[margin - z - JITTER_REACH : margin - z + JITTER_REACH + grid]
            for row, z in zip(held, shifts[before], strict=True)
        ])  # fmt: skip
        moved = np.full((len(before), grid), -1e9, np.float32)
        for step in range(2 * JITTER_REACH + 1):
            first = 2 * JITTER_REACH - step
            np.maximum(moved, wide[:, first : first + grid] + jitter[step], out=moved)
        fresh = (moved[:, None, :] + law[before][:, now][:, :, None]).max(axis=0) + scored(f)
        best.append(fresh - fresh.max())
    return _traced(best, rows, shifts, jitter, law)


def _traced(
    best: list[FloatArray],
    rows: list[NDArray[np.intp]],
    shifts: NDArray[np.intp],
    jitter: FloatArray,
    law: FloatArray,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Go back along the most probable path; what came before is sought anew, only for the states on it."""
    count, grid = len(best), best[0].shape[1]
    path, paces = np.zeros(count, np.intp), np.zeros(count, np.intp)
    row, path[-1] = np.unravel_index(int(best[-1].argmax()), best[-1].shape)
    paces[-1] = rows[-1][row]
    steps = np.arange(-JITTER_REACH, JITTER_REACH + 1)
    for f in range(count - 1, 0, -1):
        before = rows[f - 1]
        came = path[f] - shifts[before][:, None] - steps[None, :]
        inside = (came >= 0) & (came < grid)
        value = best[f - 1][np.arange(len(before))[:, None], np.clip(came, 0, grid - 1)]
        value = np.where(inside, value + jitter + law[before, paces[f]][:, None], -np.inf)
        row, step = np.unravel_index(int(value.argmax()), value.shape)
        paces[f - 1], path[f - 1] = before[row], came[row, step]
    return path, paces
