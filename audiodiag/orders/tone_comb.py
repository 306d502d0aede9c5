"""Which tones keep an order that is not the engine's, and what speaks for each being the steering pump's?

Candidates are local maxima of a comb (an order, twice and three times it) in the order spectrum without the
engine's rhythm. Each is described by numbers that `audiodiag.orders.drive` weighs: its height and that of
its multiples, sidebands at the pump's turns, how loud it is beside the engine, whether it moves with the
steering.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from audiodiag.orders.angle import AngleSignal
from audiodiag.orders.drive_prior import log_density
from audiodiag.orders.steady import OrderLines, order_lines, without_engine
from audiodiag.records import FloatArray, Phases, read_only
from audiodiag.vehicle import Vehicle

__all__ = [
    "FEATURES",
    "HIGHEST_ORDER",
    "SAMPLES_PER_REV",
    "ToneCandidate",
    "ToneView",
    "half_order_distance",
    "own_clock_lines",
    "tone_candidates",
    "tone_view",
]

SAMPLES_PER_REV = 128
HIGHEST_ORDER = 56.0
SPACING = 0.0125
LOWEST_TONE, HIGHEST_TONE = 6.3, 38.6
BLOCK_REV, SHORT_REV = 40.0, 8.0
MOST = 10
CAP_DB = 20.0

FEATURES = (
    "bias",
    "first_db",
    "second_db",
    "third_db",
    "half_db",
    "near_half_order",
    "engine_line_db",
    "log_prior",
    "over_engine_db",
    "follows_load",
    "motion_db",
    "sideband_db",
    "rival_db",
)
"""Names of the numbers that describe a candidate, decibels divided by ten."""


@dataclass(frozen=True, eq=False)
class ToneView:
    """The order spectrum in which tones are looked for.

    rest: the sound without the engine's rhythm, shape (n,). lines: its long blocks. short: the same in short
    blocks. whole: long blocks with the rhythm. engine_db: level of the engine's comb in each short
    block, shape (m,). load: steering load there, 0 to 1, shape (m,), or None where unknown; dip: how far the
    speed lies below its usual there, per cent, shape (m,). time_s: middle of the short blocks, shape (m,).
    """

    rest: FloatArray
    lines: OrderLines
    short: OrderLines
    whole: OrderLines
    engine_db: FloatArray
    load: FloatArray | None
    dip: FloatArray
    time_s: FloatArray


@dataclass(frozen=True, eq=False)
class ToneCandidate:
    """One tone: its order with standard deviation, and the numbers named in `FEATURES`, shape (k,).

    level_db: its level over time in the short blocks, dB, shape (m,).
    """

    order: float
    order_sd: float
    features: FloatArray
    level_db: FloatArray


def tone_view(angle: AngleSignal, phases: Phases | None = None) -> ToneView | None:
    """Prepare the order spectra of a clip over crank angle; None under 24 revolutions."""
    if angle.length_rev < 24.0:
        return None
    values = np.asarray(angle.values, dtype=np.float32)
    per_rev = angle.samples_per_rev
    highest = min(HIGHEST_ORDER, angle.max_order)
    rest = without_engine(values, per_rev)
    block = min(BLOCK_REV, math.floor(angle.length_rev / 2.0))
    kinds = {"spacing": SPACING, "highest": highest}
    lines = order_lines(rest, per_rev, block_rev=block, hop_rev=block / 2, **kinds)
    whole = order_lines(values, per_rev, block_rev=block, hop_rev=block / 2, **kinds)
    short = order_lines(
        rest, per_rev, block_rev=SHORT_REV, hop_rev=SHORT_REV / 2, spacing=0.05, highest=highest
    )
    time_s = angle.time_at(short.middle_rev + angle.start_rev)
    engine = order_lines(
        values, per_rev, block_rev=SHORT_REV, hop_rev=SHORT_REV / 2, spacing=0.05, highest=12.5
    )
    comb = engine.block_db[:, np.rint(np.arange(1.0, 12.1, 0.5) / 0.05).astype(int)]
    engine_db = np.mean(np.sort(comb, axis=1)[:, -8:], axis=1)
    rpm = (
        60.0
        * SHORT_REV
        / (
            np.interp(short.middle_rev + SHORT_REV / 2, angle.revolutions, angle.time_s)
            - np.interp(short.middle_rev - SHORT_REV / 2, angle.revolutions, angle.time_s)
        )
    )
    return ToneView(
        rest=read_only(rest),
        lines=lines,
        short=short,
        whole=whole,
        engine_db=read_only(engine_db),
        load=_stated_load(phases, time_s),
        dip=read_only(100.0 * (1.0 - rpm / _usual(rpm))),
        time_s=read_only(time_s),
    )


def _usual(rpm: FloatArray) -> FloatArray:
    """The 70th percentile of the speed in some 40 blocks around."""
    from scipy.ndimage import percentile_filter

    return np.asarray(percentile_filter(rpm, 70, size=min(41, len(rpm)), mode="nearest"))


def _stated_load(phases: Phases | None, time_s: FloatArray) -> FloatArray | None:
    """Steering load of the phases at these times: 0 in the centre, 0.6 turning, 1 at a stop."""
    if phases is None or phases.source == "unknown" or not phases.spans:
        return None
    load = np.full(len(time_s), np.nan)
    for span in phases.spans:
        load[(time_s >= span.start_s) & (time_s < span.end_s)] = {"centre": 0.0, "turning": 0.6, "stop": 1.0}[
            span.phase
        ]
    return read_only(load) if np.isfinite(load).sum() >= 4 and np.nanstd(load) > 0.05 else None


def half_order_distance(order: FloatArray) -> FloatArray:
    """Distance from the next half order, 0 to 0.25."""
    return np.abs(order - np.round(np.asarray(order) * 2.0) / 2.0)


def tone_candidates(view: ToneView, vehicle: Vehicle | None = None) -> tuple[ToneCandidate, ...]:
    """Give up to ten tones, the highest comb first."""
    lines = view.lines
    grid = np.arange(LOWEST_TONE, min(HIGHEST_TONE, lines.spacing * len(lines.above_db) - 1.0), lines.spacing)
    height = lines.highest_near(grid, 0.0125)
    first = np.clip(height, -3.0, CAP_DB) + 0.02 * np.clip(height - CAP_DB, 0.0, None)
    second = _above_zero(lines.highest_near(2 * grid, 0.025))
    third = _above_zero(lines.highest_near(3 * grid, 0.0375))
    score = first + 0.5 * (second + third)
    kept: list[int] = []
    for i in np.argsort(-score):
        if all(abs(grid[i] - grid[k]) > 0.15 for k in kept):
            kept.append(int(i))
        if len(kept) == MOST:
            break
    found = []
    for i in kept:
        order = float(grid[i])
        rival = max([float(score[k]) for k in kept if k != i], default=0.0)
        centre, spread = _centred(lines, order)
        level, over, follows, motion = _course(view, order)
        features = np.array(
            [
                10.0,
                first[i],
                second[i],
                third[i],
                _above_zero(lines.highest_near(np.array([order / 2]), 0.0125))[0],
                10.0 * math.exp(-((float(half_order_distance(np.array(order))) / 0.03) ** 2)),
                _engine_line_db(view, order),
                10.0 * float(log_density(np.array([order]), vehicle)[0]),
                over,
                10.0 * follows,
                motion,
                _best_sidebands(lines, order),
                score[i] - rival,
            ]
        )
        found.append(
            ToneCandidate(centre, spread, read_only(np.nan_to_num(features) / 10.0), read_only(level))
        )
    return tuple(found)


def _above_zero(height: FloatArray) -> FloatArray:
    return np.clip(np.nan_to_num(height), 0.0, CAP_DB)


def _centred(lines: OrderLines, order: float) -> tuple[float, float]:
    """The middle of the line's power above its surroundings and its standard error."""
    reach = round(max(2.0 / lines.block_rev + lines.spacing, 0.003 * order) / lines.spacing)
    where, width = order, 0.0
    for _ in range(3):
        middle = round(where / lines.spacing)
        place = np.arange(max(middle - reach, 0), min(middle + reach + 1, len(lines.above_db)))
        power = 10.0 ** (0.1 * lines.above_db[place])
        power = np.maximum(power - 0.25 * power.max(), 0.0)
        total = max(float(power.sum()), 1e-12)
        where = float(power @ (place * lines.spacing)) / total
        width = math.sqrt(max(float(power @ (place * lines.spacing - where) ** 2) / total, 1e-12))
    return where, math.hypot(width / math.sqrt(2.0), 0.0012 * order)


def _engine_line_db(view: ToneView, order: float) -> float:
    """How high the engine's own line stands at the next half order, where the tone lies on it, else 0."""
    next_one = round(order * 2.0) / 2.0
    if abs(order - next_one) > 0.06:
        return 0.0
    around = next_one + np.array([-1.5, -1.0, -0.5, 0.5, 1.0, 1.5])
    here = float(view.whole.highest_near(np.array([next_one]), 0.025)[0])
    return float(np.clip(np.nanmedian(view.whole.highest_near(around, 0.025)) - here, -CAP_DB, CAP_DB))


def _course(view: ToneView, order: float) -> tuple[FloatArray, float, float, float]:
    """Level of the tone over the short blocks; beside the engine's; how it follows the load; its motion."""
    from scipy.ndimage import uniform_filter1d

    short = view.short
    near = np.rint(np.arange(order - 0.12, order + 0.121, 0.05) / short.spacing).astype(int)
    near = near[(near >= 0) & (near < short.block_db.shape[1])]
    level = short.block_db[:, near].max(axis=1)
    above = level - short.floor_db[:, near].mean(axis=1)
    calm = uniform_filter1d(level, min(3, len(level)), mode="nearest")
    over = float(
        10.0 * np.log10(np.mean(10.0 ** (0.1 * level)))
        - 10.0 * np.log10(np.mean(10.0 ** (0.1 * view.engine_db)))
    )
    load = view.dip if view.load is None else view.load
    follows = _correlation(uniform_filter1d(above, min(3, len(above)), mode="nearest"), load)
    relative = calm - uniform_filter1d(view.engine_db, min(3, len(level)), mode="nearest")
    motion = float(np.percentile(relative, 90.0) - np.percentile(relative, 20.0))
    return level, max(over, -40.0), follows, min(motion, 20.0)


def _correlation(one: FloatArray, two: FloatArray) -> float:
    both = np.isfinite(one) & np.isfinite(two)
    if both.sum() < 5 or np.std(one[both]) < 1e-6 or np.std(two[both]) < 1e-6:
        return 0.0
    return float(np.corrcoef(one[both], two[both])[0, 1])


def _best_sidebands(lines: OrderLines, order: float) -> float:
    """Best mean height of a pair of lines at plus and minus R around the tone, R from 0.85 to 1.65."""
    ratios = np.arange(0.85, 1.65, lines.spacing)
    pair = [np.clip(lines.highest_near(order + sign * ratios, 0.0125), -3.0, 15.0) for sign in (-1.0, 1.0)]
    return float(np.nanmax(np.minimum(pair[0], pair[1])))


def own_clock_lines(view: ToneView, samples_per_rev: int, order: float) -> OrderLines:
    """Give the order spectrum over the turns that the tone itself counts.

    The tone's phase, followed within a quarter of an order, is the clock; so what belongs to the same shaft
    becomes as narrow as the clip is long, whatever creep, slip or errors of the engine's speed do, and the
    engine's lines blur. Orders stay those of the crankshaft, on the mean.
    """
    from scipy.ndimage import map_coordinates, uniform_filter1d

    values = np.asarray(view.rest, dtype=float)
    turns = np.arange(len(values)) / samples_per_rev
    carrier = np.exp(-2j * np.pi * ((order * turns) % 1.0))
    base = values * carrier
    width = 2 * samples_per_rev
    slow = base
    for _ in range(3):
        slow = uniform_filter1d(slow, width, mode="nearest")
    drift = np.unwrap(np.angle(slow)) / (2.0 * np.pi)
    clock = turns + drift / order
    clock = np.maximum.accumulate(clock)
    count = int((clock[-1] - clock[0]) * samples_per_rev)
    wanted = clock[0] + np.arange(count) / samples_per_rev
    place = np.interp(wanted, clock, np.arange(len(values)))
    even = map_coordinates(values, [place], order=3, mode="nearest")
    length = len(even) / samples_per_rev
    block = min(160.0, length)
    return order_lines(
        even, samples_per_rev, block_rev=block, hop_rev=block / 2, spacing=SPACING / 2, highest=46.0
    )
