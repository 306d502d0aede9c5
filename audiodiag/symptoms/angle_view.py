"""The sound over crank angle: where does each machine part sit still?

The low band as order spectra, long for fine lines and short for their course; the fast band envelopes
as spectra of their beats. All power is relative to the mean power of the clip.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.fft

from audiodiag.orders.angle import CrankAngle, crank_angle, resample_to_angle
from audiodiag.records import FloatArray, SpeedTrace, read_only
from audiodiag.symptoms.fast import FAST_HOPS
from audiodiag.symptoms.spectra import (
    Mask,
    decibels,
    half_order_distance,
    lines_above_floor,
    smooth,
)

__all__ = [
    "BEAT_SAMPLES_PER_REV",
    "TRACK_HOP_S",
    "AngleView",
    "Beats",
    "build_angle_view",
    "engine_comb_db",
    "known_blocks",
    "order_blocks",
    "relative_envelopes",
]

TRACK_HOP_S = 0.05
LOW_SAMPLES_PER_REV = 160
HIGHEST_ORDER = 64.0
BEAT_SAMPLES_PER_REV = 48
LONG_REV, SHORT_REV = 160.0, 40.0
"""Revolutions of a block: in the long ones what turns evenly stands out furthest and nearest beside the
engine's lines, the short ones stand the creep of a belt and the slip of balls."""
FAST_SAMPLES_PER_REV, FAST_REV, FAST_HIGHEST = 160, 20.0, 64.0
"""The fast envelopes: samples a revolution, a block in which the fourth multiple of strikes that slip is
still a line (40 tell less of a growl), and the highest order."""
FLOOR_STEP = 0.0125
"""Spacing, in orders, that is close enough for the surroundings of a line."""


@dataclass(frozen=True, eq=False)
class Beats:
    """The envelopes' beats in blocks of one length, ``block_rev`` revolutions each.

    order: shape (q,). beat_power, narrow_power: power of the lines of the wide and the narrow bands, mean
    over the blocks, shape (q, bands); a line of modulation index m has power m squared at its top. averages:
    number of independent blocks behind it. narrow_blocks: each block for itself, shape (blocks, q, bands).
    """

    block_rev: float
    averages: float
    order: FloatArray
    beat_power: FloatArray
    narrow_power: FloatArray
    narrow_blocks: FloatArray

    @property
    def step(self) -> float:
        """Spacing of the order grid."""
        return float(self.order[1] - self.order[0])

    @cached_property
    def beat_excess_db(self) -> FloatArray:
        """Height of every line above its surroundings within 0.8 orders, dB, shape (q, bands)."""
        return read_only(self._excess_db(self.beat_power))

    @cached_property
    def narrow_excess_db(self) -> FloatArray:
        """The same of the narrow bands."""
        return read_only(self._excess_db(self.narrow_power))

    def _excess_db(self, power: FloatArray) -> FloatArray:
        every = max(round(FLOOR_STEP / self.step), 1)
        return lines_above_floor(power, int(0.8 / self.step), self.averages, every=every)

    def near_engine(self, order: FloatArray) -> Mask:
        """Which orders lie within the width that a line of the engine's comb takes up in these blocks."""
        return np.asarray(half_order_distance(order) < 2.2 / self.block_rev + 0.002 * order)


@dataclass(frozen=True, eq=False)
class AngleView:
    """The sound over crank angle; present only where the speed is known.

    order: shape (k,), the grid of the low band's order spectrum; order_power: shape (k,), power in each
    line; order_blocks: shape (blocks, k). map_power, map_time_s: the same in short blocks, shape (m, j) and
    (m,), on map_order, shape (j,). beat: shape (r, bands), band envelopes over angle, each divided by its
    slow mean; beat_time_s: shape (r,). narrow: the same of the scene's narrow bands. averages: number of
    independent blocks behind order_power. long, short: the beats of the envelopes in long and short blocks.
    fast: those of the fast envelopes, as wide bands, None where there are none. comb_db: level of the
    engine's own lines over time, shape (m,).
    """

    crank: CrankAngle
    revolutions: float
    order: FloatArray
    order_power: FloatArray
    averages: float
    map_order: FloatArray
    map_power: FloatArray
    map_time_s: FloatArray
    beat: FloatArray
    narrow: FloatArray
    beat_time_s: FloatArray
    long: Beats
    short: Beats
    fast: Beats | None
    comb_db: FloatArray

    @property
    def order_step(self) -> float:
        """Spacing of the order grid."""
        return float(self.order[1] - self.order[0])

    @cached_property
    def beat_excess_db(self) -> FloatArray:
        """Height of every line of the long blocks, dB, shape (q, bands): its mean with that in short ones.

        Beside an engine's line the long blocks speak alone.
        """
        return read_only(self._both(self.long.beat_excess_db, self.short.beat_excess_db))

    @cached_property
    def narrow_excess_db(self) -> FloatArray:
        """The same of the narrow bands."""
        return read_only(self._both(self.long.narrow_excess_db, self.short.narrow_excess_db))

    def _both(self, long_db: FloatArray, short_db: FloatArray) -> FloatArray:
        if self.short is self.long:
            return long_db
        place = self.long.order / self.short.step
        index = np.minimum(place.astype(int), len(short_db) - 2)
        part = (place - index)[:, None]
        there = short_db[index] * (1.0 - part) + short_db[index + 1] * part
        blurred = self.short.near_engine(self.long.order)[:, None]
        return np.where(blurred, long_db, 0.5 * (long_db + there))


def build_angle_view(
    samples: FloatArray,
    rate: int,
    speed: SpeedTrace,
    time_s: FloatArray,
    rpm: FloatArray,
    envelope: FloatArray,
    envelope_rate_hz: float,
    narrow: FloatArray,
    narrow_rate_hz: float,
    fast: FloatArray,
    fast_rate_hz: float,
) -> AngleView | None:
    """Order spectra of the low band and of the envelopes, from the stretches where the speed is known."""
    known_speed = np.isfinite(speed.rpm) & (np.nan_to_num(speed.rpm) > 50.0)
    crank = crank_angle(np.asarray(speed.time_s)[known_speed], np.asarray(speed.rpm)[known_speed])
    duration = len(samples) / rate
    total = float(crank.rev_at(duration))
    if total < 12.0:
        return None
    known = np.isfinite(rpm)
    block_rev = _block_rev(total, known, crank)
    if block_rev is None:
        return None
    short_rev = min(SHORT_REV, block_rev)
    low = resample_to_angle(
        samples,
        rate,
        crank.knot_s,
        crank.knot_rpm,
        samples_per_rev=LOW_SAMPLES_PER_REV,
        max_order=HIGHEST_ORDER,
    )

    blocks, times, order = order_blocks(
        low.values[:, None], LOW_SAMPLES_PER_REV, block_rev, 0.5, crank, HIGHEST_ORDER
    )
    good = known_blocks(times, known, block_rev, crank)
    if not good.any():
        return None
    order_power = blocks[good, :, 0].mean(axis=0)
    map_power, map_times, map_order = order_blocks(
        low.values[:, None], LOW_SAMPLES_PER_REV, min(10.0, block_rev), 0.6, crank, HIGHEST_ORDER
    )
    map_good = known_blocks(map_times, known, 10.0, crank)

    beat_rev = np.arange(int(total * BEAT_SAMPLES_PER_REV) - 1) / BEAT_SAMPLES_PER_REV
    beat_time = crank.time_at(beat_rev)
    beat = relative_envelopes(envelope, envelope_rate_hz, beat_time)
    narrow_beat = relative_envelopes(narrow, narrow_rate_hz, beat_time)
    both, bands = np.hstack([beat, narrow_beat]), beat.shape[1]

    def beats(rev: float) -> Beats | None:
        power, at_s, orders = order_blocks(
            both, BEAT_SAMPLES_PER_REV, rev, 0.5, crank, BEAT_SAMPLES_PER_REV / 2 - 2
        )
        power = power[known_blocks(at_s, known, rev, crank)]
        if not len(power):
            return None
        mean = power.mean(axis=0)
        parts = (orders, mean[:, :bands], mean[:, bands:], power[:, :, bands:])
        return Beats(rev, _independent(len(power)), *(read_only(part) for part in parts))

    long = beats(block_rev)
    short = beats(short_rev) if short_rev < block_rev else long
    if long is None or short is None or not map_good.any():
        return None
    return AngleView(
        crank=crank,
        revolutions=total,
        order=read_only(order),
        order_power=read_only(order_power),
        averages=_independent(int(good.sum())),
        map_order=read_only(map_order),
        map_power=read_only(map_power[map_good, :, 0]),
        map_time_s=read_only(map_times[map_good]),
        beat=read_only(beat),
        beat_time_s=read_only(beat_time),
        narrow=read_only(narrow_beat),
        long=long,
        short=short,
        fast=_fast_beats(fast, fast_rate_hz, total, known, crank),
        comb_db=read_only(_comb_db(map_power[map_good, :, 0], map_order)),
    )


def _fast_beats(
    fast: FloatArray, rate_hz: float, total: float, known: FloatArray, crank: CrankAngle
) -> Beats | None:
    """Beats of the fast envelopes; None where the recording has no such bands or no block a known speed."""
    if not fast.size:
        return None
    per_rev, rev = FAST_SAMPLES_PER_REV, min(FAST_REV, float(int(total / 2.0)))
    time_s = crank.time_at(np.arange(int(total * per_rev) - 1) / per_rev)
    swing = relative_envelopes(fast, rate_hz, time_s, first=FAST_HOPS / 2, per_rev=per_rev)
    power, at_s, orders = order_blocks(swing, per_rev, rev, 0.5, crank, FAST_HIGHEST)
    power = power[known_blocks(at_s, known, rev, crank)]
    if not len(power):
        return None
    none = np.zeros((len(orders), 0), np.float32)
    mean = read_only(power.mean(axis=0))
    return Beats(rev, _independent(len(power)), read_only(orders), mean, none, none[None])


def _block_rev(total: float, known: FloatArray, crank: CrankAngle) -> float | None:
    """Revolutions of the longest blocks of which one at least lies where the speed is known, None if none.

    Halved from ``LONG_REV`` down to ``SHORT_REV``, and no more than half of the clip.
    """
    for most in (LONG_REV, 0.5 * LONG_REV, SHORT_REV):
        rev = min(most, float(int(total / 2.0)))
        middle = np.arange(0.0, total - rev, 0.5 * rev) + 0.5 * rev
        if known_blocks(crank.time_at(middle), known, rev, crank).any():
            return rev
    return None


def _independent(blocks: int) -> float:
    """How many independent blocks so many that overlap by halves are worth."""
    return max(1.0, 0.55 * blocks + 0.45)


def relative_envelopes(
    envelope: FloatArray,
    rate_hz: float,
    time_s: FloatArray,
    *,
    first: float = 4.0,
    per_rev: int = BEAT_SAMPLES_PER_REV,
) -> FloatArray:
    """Amplitude envelopes over angle, divided by their mean over some 12 revolutions, less 1, held at 5.

    envelope: power, shape (n, bands), at ``rate_hz``; its first value lies ``first`` steps after the start of
    the clip. time_s: when each value over angle is, shape (r,), ``per_rev`` a revolution; gives shape
    (r, bands).
    """
    if not envelope.size:
        return np.zeros((len(time_s), envelope.shape[1]), np.float32)
    amplitude = np.sqrt(envelope)
    at = np.clip(time_s * rate_hz - first, 0, len(amplitude) - 1.001)
    index = at.astype(int)
    part = (at - index)[:, None].astype(np.float32)
    values = amplitude[index] * (1 - part) + amplitude[np.minimum(index + 1, len(amplitude) - 1)] * part
    slow = smooth(smooth(values, 8 * per_rev + 1), 8 * per_rev + 1)
    return np.asarray(np.minimum(values / np.maximum(slow, 1e-10), 6.0) - 1.0)


def _comb_db(map_power: FloatArray, map_order: FloatArray) -> FloatArray:
    """Level of the engine's lines over time: mean of its eight strongest half orders up to 12, dB."""
    lines = [
        map_power[:, np.abs(map_order - order) < 0.11].max(axis=1) for order in np.arange(1.0, 12.1, 0.5)
    ]
    strongest = np.argsort([-float(np.median(line)) for line in lines])[:8]
    return smooth(np.mean([decibels(lines[i]) for i in strongest], axis=0), 5)


def order_blocks(
    values: FloatArray, per_rev: int, block_rev: float, overlap: float, crank: CrankAngle, top: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Power of the lines of overlapping blocks, shape (blocks, orders, columns); mid times; orders.

    Blocks are padded to twice their length; a sine of amplitude a gives a line of a squared.
    """
    length = min(int(block_rev * per_rev), len(values))
    hop = max(int(length * (1.0 - overlap)), 1)
    starts = np.arange(0, len(values) - length + 1, hop)
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window *= np.float32(2.0 / window.sum())
    size = scipy.fft.next_fast_len(2 * length, real=True)
    order = np.arange(size // 2 + 1) * per_rev / size
    kept = order <= top
    columns = np.ascontiguousarray(values.T, dtype=np.float32)
    power = np.empty((len(starts), int(kept.sum()), values.shape[1]), np.float32)
    for i, start in enumerate(starts):
        block = columns[:, start : start + length]
        lines = scipy.fft.rfft((block - block.mean(axis=1, keepdims=True)) * window, size, axis=1)[:, kept]
        power[i] = (lines.real**2 + lines.imag**2).T
    return power, crank.time_at((starts + length / 2) / per_rev), order[kept]


def known_blocks(times: FloatArray, known: FloatArray, block_rev: float, crank: CrankAngle) -> FloatArray:
    """Which blocks lie where at least 80 % of the time the speed is known."""
    half = 0.5 * block_rev / (crank.rpm_at(times) / 60.0)
    count = np.concatenate([[0], np.cumsum(known)])
    first = np.clip(((times - half) / TRACK_HOP_S).astype(int), 0, len(known))
    last = np.clip(((times + half) / TRACK_HOP_S).astype(int), 0, len(known))
    return np.asarray((count[last] - count[first]) >= 0.8 * np.maximum(last - first, 1))


def engine_comb_db(angle: AngleView, highest: float = 32.0) -> FloatArray:
    """Level of every half order above its surroundings, dB, shape (2 * highest,): orders 0.5, 1, 1.5 ..."""
    excess = lines_above_floor(angle.order_power, int(1.25 / angle.order_step), angle.averages)
    lattice = np.arange(0.5, min(highest, angle.order[-1] - 1.0) + 0.01, 0.5)
    near = half_order_distance(angle.order) < 0.05
    levels = np.full(len(lattice), np.nan)
    index = np.round(angle.order * 2).astype(int) - 1
    for i in range(len(lattice)):
        mine = near & (index == i)
        if mine.any():
            levels[i] = excess[mine].max()
    return levels
