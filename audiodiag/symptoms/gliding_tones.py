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
from audiodiag.symptoms.spectra import decibels

__all__ = ["GlidingTones", "follow_tones"]

RATE_HZ = 8000
LOWEST_HZ, HIGHEST_HZ, TOP_HZ = 100.0, 1300.0, 3900.0
"""First tones that are sought; up to where their multiples are heard: from 975 Hz on the fourth is not."""
LOG_STEP = 0.01
WINDOW, HOP, FFT_SIZE = 2048, 512, 4096
COUNTS = (1.0, 0.8, 0.6, 0.5)
"""How much the tone and each of its multiples counts."""
SCORE_SHARE = 0.6
"""A score is this share of the sum: a tone alone reaches 10.8 dB, four lines up to 31 dB."""
NEAR, AROUND, USUAL_PERCENT = 5, 20, 80.0
"""Steps around a tone that are its own; that are its surroundings; the percentile taken of these."""
TONE_DB, LINE_DB, BETWEEN_DB = (-3.0, 18.0), (-3.0, 25.0), (-3.0, 30.0)
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
LOWEST_CYCLES, HIGHEST_CYCLES = 0.3, 5.5
TONES = 3
"""How many of the tones make the level."""
MOST_BLOCKS = 400
"""Blocks looked at, spread evenly over a longer clip."""
SILENT = 1e-3
"""Power of a block, against the mean of all, up to which it is left out: a gap in the recording."""
FRAMES_AT_ONCE = 500


@dataclass(frozen=True)
class GlidingTones:
    """What the clearest tone that is held or glides is like, with its multiples if it has any.

    clear_share: share of the time in which they stand out clearly, 0 to 1. half_db: how far what lies midway
    between the tone and its double stands out of its surroundings, dB; third_db: the same a third or two
    thirds of the way, whichever stands out further. stray_percent: how far the tone strays from its own
    course from block to block, per cent. share_db: power of the tone and its two first multiples over that of
    all between 0.3 and 5.5 times the tone, in the tenth of the time in which it is largest, dB, 0 at most.
    motion_db: standard deviation of their level over time, dB.
    """

    clear_share: float
    half_db: float
    third_db: float
    stray_percent: float
    share_db: float
    motion_db: float


def follow_tones(samples: FloatArray, rate_hz: int) -> GlidingTones | None:
    """Follow the clearest tone of a clip; None for less than a second, or without any sound.

    samples: shape (n,), of a mean power near 1. rate_hz: sampling rate.

    >>> time_s = np.arange(4 * 8000) / 8000
    >>> cycles = 180.0 * time_s + 3.0 * time_s**2
    >>> tones = sum(np.sin(2 * np.pi * k * cycles) / k for k in (1, 2, 3))
    >>> found = follow_tones(tones + np.random.default_rng(1).standard_normal(len(time_s)), 8000)
    >>> found.clear_share > 0.9, found.half_db < 3.0, found.stray_percent < 0.2
    (True, True, True)
    """
    from scipy.signal import resample_poly

    sound = np.asarray(samples, np.float32)
    if len(sound) < rate_hz or not np.any(sound):
        return None
    ratio = Fraction(RATE_HZ, int(rate_hz)).limit_denominator(1000)
    if ratio != 1:
        sound = np.asarray(resample_poly(sound, ratio.numerator, ratio.denominator))
    course, score = _followed(_heights(sound))
    return _described(sound, LOWEST_HZ * np.exp(LOG_STEP * course), float((score > CLEAR_DB).mean()))


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
    score *= SCORE_SHARE
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


def _described(sound: FloatArray, first_hz: FloatArray, clear: float) -> GlidingTones:
    """Lay the sound out over the cycles of its first tone, given for each window, and describe its lines."""
    power = _over_cycles(sound, first_hz)
    step = BLOCK_CYCLES * CLOSER
    whole = power[:, int(LOWEST_CYCLES * step) :].sum(axis=1)
    sounding = whole > SILENT * whole.mean()
    power, whole = power[sounding], whole[sounding]
    level = decibels(power)
    multiples = range(1, len(COUNTS) + 1)
    at = np.stack([_line(level, multiple * (1.0 + OFF_TONE), step) for multiple in multiples])
    usual = np.stack([_usual(level, float(multiple), step) for multiple in multiples])
    out = np.clip(at - usual[:, None], *LINE_DB)
    best = np.argmax(np.tensordot(COUNTS, out, 1), axis=0)
    own = LINES_OF_TONE * (10.0 ** (at[:TONES, best, np.arange(len(best))] / 10.0)).sum(axis=0)
    between = [
        _line(level, np.array([place]), step)[0] - _usual(level, place, step)
        for place in (1.5, 4.0 / 3.0, 5.0 / 3.0)
    ]
    half, *thirds = (float(np.clip(each, *BETWEEN_DB).mean()) for each in between)
    return GlidingTones(
        clear_share=clear,
        half_db=half,
        third_db=max(thirds),
        stray_percent=100.0 * float(np.std(OFF_TONE[best])),
        share_db=float(np.percentile(decibels(np.minimum(own / whole, 1.0)), 90.0)),
        motion_db=float(np.std(decibels(own))),
    )


def _over_cycles(sound: FloatArray, first_hz: FloatArray) -> FloatArray:
    """Power spectra of blocks of 96 cycles of the tone, spread over the clip, shape (blocks, lines)."""
    kernel = hann(2 * SMOOTH_WINDOWS + 2)[1:]
    held = np.pad(np.log(first_hz), SMOOTH_WINDOWS, mode="edge")
    smoothed = np.convolve(held, kernel / kernel.sum(), "valid")
    sample = np.arange(len(sound))
    pitch_hz = np.exp(np.interp(sample, WINDOW / 2 + HOP * np.arange(len(smoothed)), smoothed))
    cycle = np.cumsum(pitch_hz) / RATE_HZ
    # So close that nothing folds back over the lines that are looked at.
    each = int(max(2.0 * HIGHEST_CYCLES + 1.0, RATE_HZ / 2.0 / pitch_hz.min() + HIGHEST_CYCLES)) + 1
    last = cycle[-1] - BLOCK_CYCLES
    count = min(1 + int(np.ceil(2.0 * (last - cycle[0]) / BLOCK_CYCLES)), MOST_BLOCKS)
    starts = np.linspace(cycle[0], last, max(count, 1))
    length = BLOCK_CYCLES * each
    when_s = np.interp(starts[:, None] + np.arange(length) / each, cycle, sample / RATE_HZ)
    blocks = Baseband(sound, RATE_HZ).at(when_s.ravel()).reshape(when_s.shape)
    lines = scipy.fft.rfft(blocks * hann(length), CLOSER * length, axis=1)
    return np.asarray(np.abs(lines[:, : int(HIGHEST_CYCLES * BLOCK_CYCLES * CLOSER)]) ** 2)


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
