"""Tones that glide together, whatever the engine speed: a first tone and its multiples, as a pump makes them.

A whine is heard without any engine speed: one tone stands out of the engine, its multiples with it, and all
glide as one. So the tone is followed by itself, through the short-time spectrum; then the sound is laid out
over its own cycles, so that windows of many cycles see its lines sharp while it glides. An engine followed by
mistake betrays itself: its lines lie closer, and so between the multiples as well, and its own strokes make
them waver.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import scipy.fft

from audiodiag.records import FloatArray
from audiodiag.signal.powers import hann
from audiodiag.speed.front import Baseband
from audiodiag.speed.refine import angle_times
from audiodiag.symptoms.spectra import decibels

__all__ = ["GlidingTones", "follow_tones"]

RATE_HZ = 8000
LOWEST_HZ, HIGHEST_HZ, TOP_HZ = 100.0, 1300.0, 3900.0
"""First tones that are sought, and up to where their multiples are heard."""
LOG_STEP = 0.01
WINDOW, HOP, FFT_SIZE = 2048, 512, 4096
COUNTS = (1.0, 0.8, 0.6, 0.5)
"""How much the tone and each of its multiples counts."""
NEAR, AROUND, USUAL_PERCENT = 5, 20, 80.0
"""Steps around a tone that are its own; that are its surroundings; the percentile taken of these."""
TONE_DB, LINE_DB = (-3.0, 18.0), (-3.0, 25.0)
MOST_STEPS, STEP_COST = 4, 0.6
"""How many steps the tone glides from window to window at most, and what each costs, dB."""
CLEAR_DB = 8.0

BLOCK_CYCLES, CLOSER = 96, 4
LINES_OF_TONE = 1.5 * CLOSER
"""Over so many lines as high as its highest a steady tone spreads its power in the window."""
SMOOTH_WINDOWS = 5
OFF_TONE = np.arange(-6, 7) * 0.0025
"""How far the tone of a block may lie off the one followed, as a share of it."""
OWN_CYCLES, BESIDE_CYCLES = 0.03, 0.2
HIGHEST_CYCLES = 5.5
MOST_BLOCKS = 400
"""Blocks looked at, spread evenly over a longer clip."""
FRAMES_AT_ONCE = 500


@dataclass(frozen=True)
class GlidingTones:
    """What the clearest tone that glides with its multiples is like.

    clear_share: share of the time in which they stand out clearly, 0 to 1. half_db, third_db: how far what
    lies midway, and a third of the way, from the first tone to the second stands out of its surroundings, dB.
    stray_percent: how far the tone strays from its own course from block to block, per cent. share_db: level
    of the first three tones in their loudest tenth of the time against all between 0.3 and 5.5 times the
    first, dB. motion_db: standard deviation of their level over time, dB.
    """

    clear_share: float
    half_db: float
    third_db: float
    stray_percent: float
    share_db: float
    motion_db: float


def follow_tones(samples: FloatArray, rate_hz: int) -> GlidingTones | None:
    """Follow the clearest gliding tone of a clip; None for a clip of less than a second.

    samples: shape (n,), any level. rate_hz: sampling rate.

    >>> time_s = np.arange(4 * 8000) / 8000
    >>> cycles = 180.0 * time_s + 3.0 * time_s**2
    >>> tones = sum(np.sin(2 * np.pi * k * cycles) / k for k in (1, 2, 3))
    >>> found = follow_tones(tones + np.random.default_rng(1).standard_normal(len(time_s)), 8000)
    >>> found.clear_share > 0.9, found.half_db < 3.0, found.stray_percent < 0.2
    (True, True, True)
    """
    from scipy.signal import resample_poly

    ratio = Fraction(RATE_HZ, int(rate_hz)).limit_denominator(1000)
    sound = np.asarray(samples, np.float32)
    if ratio != 1:
        sound = np.asarray(resample_poly(sound, ratio.numerator, ratio.denominator))
    if len(sound) < RATE_HZ:
        return None
    course, score = _followed(_heights(sound))
    first_hz = LOWEST_HZ * np.exp(LOG_STEP * course)
    time_s = (WINDOW / 2 + HOP * np.arange(len(course))) / RATE_HZ
    return _described(Baseband(sound, RATE_HZ), time_s, first_hz, float((score > CLEAR_DB).mean()))


def _heights(sound: FloatArray) -> FloatArray:
    """How far each frequency of a logarithmic axis stands out of those around, dB, shape (windows, f)."""
    axis = LOWEST_HZ * np.exp(np.arange(-AROUND, np.log(TOP_HZ / LOWEST_HZ) / LOG_STEP + AROUND) * LOG_STEP)
    place = np.minimum(axis * FFT_SIZE / RATE_HZ, FFT_SIZE // 2 - 1.0)
    left = place.astype(int)
    part = place - left
    frames = np.lib.stride_tricks.sliding_window_view(sound, WINDOW)[::HOP]
    around = np.r_[0 : AROUND - NEAR, AROUND + NEAR + 1 : 2 * AROUND + 1]
    rank = int(USUAL_PERCENT / 100.0 * len(around))
    found = []
    for first in range(0, len(frames), FRAMES_AT_ONCE):
        lines = scipy.fft.rfft(frames[first : first + FRAMES_AT_ONCE] * hann(WINDOW), FFT_SIZE, axis=1)
        level = decibels(np.abs(lines) ** 2)
        level = (level[:, left] * (1.0 - part) + level[:, left + 1] * part).astype(np.float32)
        wide = np.lib.stride_tricks.sliding_window_view(level, 2 * AROUND + 1, axis=1)
        usual = np.partition(wide[..., around], rank, axis=2)[..., rank]
        found.append(np.clip(level[:, AROUND:-AROUND] - usual, *TONE_DB))
    return np.concatenate(found)


def _followed(height: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the course of the best first tone in steps of the axis, and its score in dB, shape (windows,)."""
    firsts = int(np.log(HIGHEST_HZ / LOWEST_HZ) / LOG_STEP) + 1
    score = np.zeros((len(height), firsts))
    for multiple, count in enumerate(COUNTS, 1):
        place = np.arange(firsts) + round(np.log(multiple) / LOG_STEP)
        inside = place < height.shape[1]
        score[:, inside] += count * height[:, place[inside]]
    score /= 1.7
    moves = np.arange(-MOST_STEPS, MOST_STEPS + 1)
    cost = STEP_COST * np.abs(moves)[:, None]
    came = np.zeros(score.shape, np.int8)
    total = score[0]
    for window in range(1, len(score)):
        padded = np.pad(total, MOST_STEPS, constant_values=-np.inf)
        ways = np.lib.stride_tricks.sliding_window_view(padded, firsts) - cost
        best = np.argmax(ways, axis=0)
        came[window] = moves[best]
        total = ways[best, np.arange(firsts)] + score[window]
    course = np.zeros(len(score), int)
    course[-1] = int(np.argmax(total))
    for window in range(len(score) - 1, 0, -1):
        course[window - 1] = course[window] + came[window, course[window]]
    return course, score[np.arange(len(score)), course]


def _described(sound: Baseband, time_s: FloatArray, first_hz: FloatArray, clear: float) -> GlidingTones:
    """Lay the sound out over the cycles of its first tone and describe its lines."""
    kernel = hann(2 * SMOOTH_WINDOWS + 2)[1:]
    held = np.pad(np.log(first_hz), SMOOTH_WINDOWS, mode="edge")
    first_hz = np.exp(np.convolve(held, kernel / kernel.sum(), "valid"))
    # So close that nothing folds back over the lines that are looked at.
    each = int(max(2.0 * HIGHEST_CYCLES + 1.0, RATE_HZ / 2.0 / first_hz.min() + HIGHEST_CYCLES)) + 1
    over = sound.at(angle_times(sound, time_s, 60.0 * first_hz, samples_per_rev=each))
    length = BLOCK_CYCLES * each
    blocks = np.lib.stride_tricks.sliding_window_view(over, length)[:: length // 2]
    blocks = blocks[:: -(-len(blocks) // MOST_BLOCKS)]
    step = BLOCK_CYCLES * CLOSER
    power = np.abs(scipy.fft.rfft(blocks * hann(length), CLOSER * length, axis=1)) ** 2
    power = power[:, : int(HIGHEST_CYCLES * step)]
    level = decibels(power)
    multiples = range(1, len(COUNTS) + 1)
    at = np.stack([_line(level, multiple * (1.0 + OFF_TONE), step) for multiple in multiples])
    usual = np.stack([_usual(level, float(multiple), step) for multiple in multiples])
    out = np.clip(at - usual[:, None], *LINE_DB)
    best = np.argmax(np.tensordot(COUNTS, out, 1), axis=0)
    own = 10.0 ** (at[:3, best, np.arange(len(best))] / 10.0)
    tones_db = decibels(LINES_OF_TONE * own.sum(axis=0))
    all_db = decibels(power[:, int(0.3 * step) :].sum(axis=1))
    between = [
        float((_line(level, np.array([p]), step)[0] - _usual(level, p, step)).clip(-3.0, 30.0).mean())
        for p in (1.5, 4.0 / 3.0, 5.0 / 3.0)
    ]
    return GlidingTones(
        clear,
        between[0],
        max(between[1:]),
        100.0 * float(np.std(OFF_TONE[best])),
        float(np.percentile(tones_db - all_db, 90.0)),
        float(np.std(tones_db)),
    )


def _line(level: FloatArray, cycles: FloatArray, step: int) -> FloatArray:
    """Level of the largest of three lines at each of these places, shape (places, blocks)."""
    middle = np.round(cycles * step).astype(int)
    return np.asarray(np.max([level[:, middle + one] for one in (-1, 0, 1)], axis=0).T)


def _usual(level: FloatArray, cycles: float, step: int) -> FloatArray:
    """What surrounds a place, beyond what may be its own line, shape (blocks,)."""
    middle = round(cycles * step)
    own = int(OWN_CYCLES * step * max(cycles, 1.0))
    wide = int(BESIDE_CYCLES * step * min(cycles, 1.5))
    around = np.r_[middle - wide : middle - own, middle + own : middle + wide]
    return np.asarray(np.percentile(level[:, around], USUAL_PERCENT, axis=1))
