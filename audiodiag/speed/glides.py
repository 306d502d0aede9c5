"""Engine speed through fast glides: the clip heard as it would sound if the speed stood still.

Under a blip of the throttle an engine doubles its speed within half a second: in any window that is long
enough to part its lines they smear, and a path of speeds passes over the blip or leaves its octave. So where
the spectrum moves, each window is also laid out as if the speed glided through it by one of ``PACES``, a
constant share a second; at the right pace the lines stand sharp. How the whole spectrum moves rules most of
the paces out beforehand. Speed and pace are then followed together: the pace says where the speed must be a
moment later.

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
from audiodiag.signal.powers import hann, power_spectra
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
    "PACES", "STILL", "GlideSpectra", "follow_glides", "glide_spectra", "likely_paces", "moving_frames",
    "nearest_paces", "of_paces",
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
LEAST_LIKELY, LIKELY_REACH, LIKELY_HOPS = 0.003, 5.0, 5
"""A pace is open in a frame where one of the hops up to so many around it gives so much probability to the
steps within so many cells of the pace's own."""
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
    """Whitened spectra at each pace that is open, for the frames in which the spectrum moves.

    frames: the indices of these frames, shape (n,). is_open: which paces are open in them, shape (paces, n).
    spectra: one for each that is, pace by pace, shape (channels, open ones, axis), as those of the front end;
    those of the pace 0 are the front end's own.
    """

    frames: NDArray[np.intp]
    is_open: NDArray[np.bool_]
    spectra: FloatArray

    @property
    def place(self) -> NDArray[np.intp]:
        """Where in ``spectra`` each pace and frame is found, shape (paces, n); -1 where it is not open."""
        return _places(self.is_open)


def _places(is_open: NDArray[np.bool_]) -> NDArray[np.intp]:
    return np.where(is_open, np.cumsum(is_open).reshape(is_open.shape) - 1, -1)


def moving_frames(moves: FloatArray) -> NDArray[np.intp]:
    """Find the frames in which the spectrum may move fast.

    moves: log probability of each step from each frame to the next, shape (frames - 1, 2 reach + 1).
    """
    reach = moves.shape[1] // 2
    near = np.exp(moves[:, reach - STILL_STEPS : reach + STILL_STEPS + 1]).sum(axis=1)
    hops = near < 1.0 - LEAST_MOVING
    frames = np.append(hops, False) | np.append(False, hops)
    return np.flatnonzero(maximum_filter1d(frames.astype(np.int8), 1 + round(AROUND_S / HOP_S)))


def likely_paces(moves: FloatArray, frames: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell which paces are open in some frames, shape (paces, n): always the pace 0.

    moves: as for ``moving_frames``. frames: ascending, shape (n,).
    """
    reach = moves.shape[1] // 2
    total = np.pad(np.cumsum(np.exp(moves), axis=1), ((0, 0), (1, 0)))
    # What is faster than the steps reach is open where the fastest of them are likely.
    steps = np.clip(np.array(PACES) * HOP_S / LOG_STEP, LIKELY_REACH - reach, reach - LIKELY_REACH) + reach
    first = np.floor(steps - LIKELY_REACH).astype(int)
    last = np.ceil(steps + LIKELY_REACH).astype(int) + 1
    hops = np.pad(total[:, last] - total[:, first], ((1, 1), (0, 0)))
    near = maximum_filter1d(np.maximum(hops[:-1], hops[1:]), LIKELY_HOPS, axis=0)
    likely = near[frames].T > LEAST_LIKELY
    likely[STILL] = True
    return likely


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
        windows = self.samples[middle[:, None] + inside]
        return power_spectra(windows, hann(length), size), rate / size


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


def glide_spectra(
    bands: Sequence[Baseband], front: FrontEnd, frames: NDArray[np.intp], is_open: NDArray[np.bool_]
) -> GlideSpectra:
    """Compute the spectra of some frames at the paces that are open in each.

    bands: from ``basebands``. front: the front end of these. frames: which of its frames, ascending, shape
    (n,). is_open: which paces, shape (paces, n).
    """
    axis = front.axis_hz
    spectra = np.zeros((len(CHANNELS), int(is_open.sum()), len(axis)), np.float32)
    glides = GlideSpectra(frames, is_open, spectra)
    place = glides.place
    here = is_open[STILL]
    spectra[:, place[STILL, here]] = front.spectra[:, frames[here]]
    if not np.delete(is_open, STILL, axis=0).any():
        return glides
    low = _fine(bands[0], bands[0].rate_hz)
    swells = [_fine(band, min(ENVELOPE_RATE_HZ, band.rate_hz)) for band in bands[1:]]
    heard = axis < 0.45 * ENVELOPE_RATE_HZ
    for number, pace in enumerate(PACES):
        here = is_open[number]
        if number == STILL or not here.any():
            continue
        time_s, rows = front.time_s[frames[here]], place[number, here]
        for channel, name in enumerate(CHANNELS):
            kind, window = name.split("_")
            slow = window == "short" or abs(pace) < FAST_PACE
            window_s = WINDOWS_S[window] if slow else FAST_LONG_S
            size = FFT_LONGEST if window_s > FAST_LONG_S else FFT_LONGEST // 2
            if kind == "low":
                power, step_hz = low.power(time_s, window_s, pace, size)
                level = on_axis(power, step_hz, axis)
                spectra[channel, rows] = whiten(np.log(level + 1e-12 * level.max() + 1e-30))
            elif swells:
                total = np.zeros((len(time_s), size // 4 + 1), np.float32)
                for swell in swells:
                    power, step_hz = swell.power(time_s, window_s, pace, size // 2)
                    total += power / (np.mean(power[:, int(3.0 / step_hz) : int(250.0 / step_hz)]) + 1e-30)
                level = on_axis(total, step_hz, axis[heard])
                spectra[channel, rows[:, None], np.flatnonzero(heard)] = whiten(np.log(level + 1e-9))
    return glides


def of_paces(front: FrontEnd, glides: GlideSpectra, paces: NDArray[np.intp]) -> FrontEnd:
    """Give the front end as heard along a path of paces, indices of ``PACES``, shape (frames,).

    They must be open where the spectrum moves.
    """
    spectra = front.spectra.copy()
    rows = glides.place[paces[glides.frames], np.arange(len(glides.frames))]
    spectra[:, glides.frames] = glides.spectra[:, rows]
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
    still: FloatArray,
    gliding: FloatArray,
    frames: NDArray[np.intp],
    is_open: NDArray[np.bool_],
    *,
    temper: float,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Find the most probable path of speed and pace (Viterbi) by each of several tables of scores.

    still: scores of each speed at the pace 0, nats, shape (tables, frames of the clip, grid). gliding: those
    at the open paces of some of the frames, pace by pace, shape (tables, open ones, grid). frames: these,
    ascending, shape (n,). is_open: which paces are open in them, shape (paces, n), the pace 0 always. temper:
    share of a score that counts in a frame. Returns the indices on the grid and of ``PACES``, shape (tables,
    frames of the clip) each; outside ``frames`` the pace is 0. One table is followed as it would be alone.
    """
    tables, count, grid = still.shape
    jitter, law = _jitter(), _pace_law()
    shifts = np.array([round(pace * HOP_S / LOG_STEP) for pace in PACES])
    cost = np.asarray(PACE_COST * np.abs(PACES), np.float32)[:, None]
    margin = JITTER_REACH + int(np.abs(shifts).max())
    rows, places = [np.array([STILL])] * count, _places(is_open)
    number = np.full(count, -1)
    number[frames] = np.arange(len(frames))
    for place, frame in enumerate(frames):
        rows[frame] = np.flatnonzero(is_open[:, place])

    def scored(frame: int) -> FloatArray:
        """Scores at the paces that are open in a frame, shape (tables, open, grid)."""
        if number[frame] < 0:
            return np.asarray(temper * still[:, frame, None], np.float32)
        here = rows[frame]
        return np.asarray(temper * (gliding[:, places[here, number[frame]]] - cost[here]), np.float32)

    best = [scored(0)]
    for f in range(1, count):
        before, now = rows[f - 1], rows[f]
        held = np.full((tables, len(before), grid + 2 * margin), -1e9, np.float32)
        held[:, :, margin : margin + grid] = best[-1]
        wide = np.stack([
            held[:, row, margin - z - JITTER_REACH : margin - z + JITTER_REACH + grid]
            for row, z in enumerate(shifts[before])
        ], axis=1)  # fmt: skip
        moved = np.full((tables, len(before), grid), -1e9, np.float32)
        for step in range(2 * JITTER_REACH + 1):
            first = 2 * JITTER_REACH - step
            np.maximum(moved, wide[:, :, first : first + grid] + jitter[step], out=moved)
        fresh = (moved[:, :, None] + law[before][:, now][:, :, None]).max(axis=1) + scored(f)
        best.append(fresh - fresh.max(axis=(1, 2), keepdims=True))
    traced = [_traced([each[k] for each in best], rows, shifts, jitter, law) for k in range(tables)]
    return np.stack([path for path, _ in traced]), np.stack([paces for _, paces in traced])


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
