"""Bearing growl: do impacts ring at an order that is no half order, all the time, in some band?

A damaged bearing strikes at non-integer multiples of its shaft's turns; the strikes excite resonances, so the
order stands in the envelope spectrum, with harmonics and with sidebands at the shaft's order. Blades stir the
air at such orders too, but smoothly: their beat stands there bare. The band is
searched, as a kurtogram does (Antoni 2007), by what stands out most, among narrow ones: what rings is narrow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import AngleView, Beats
from audiodiag.symptoms.beats import engine_free_beats
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.narrow import PER_OCTAVE
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import TINY, Mask, decibels, peaks_only, spread_maximum

__all__ = ["MEASURES", "PumpHeard", "measure"]

MEASURES = (
    Measure(
        "growl_comb_db",
        "dB",
        "Off the engine's orders the envelope beats by {value:.1f} dB, multiples counted in.",
        label="Height of the strikes",
    ),
    Measure(
        "growl_whole_db",
        "dB",
        "Of the beat of the envelope, {value:.1f} dB are explained by no slower row of strikes, multiples "
        "counted in.",
        label="Strikes that no slower row explains",
    ),
    Measure(
        "growl_order",
        "per crank turn",
        "Strikes, if these are strikes, come {value:.2f} times per crank turn.",
        label="Order of the strikes",
    ),
    Measure(
        "growl_line_db",
        "dB",
        "The first line of what may be strikes stands {value:.1f} dB out.",
        label="Height of the strikes' first line",
    ),
    Measure(
        "growl_second_db",
        "dB",
        "The line at twice the order of what may be strikes stands {value:.1f} dB out.",
        label="Height of the strikes' second line",
    ),
    Measure(
        "growl_sideband_db",
        "dB",
        "Beside the line of what may be strikes, one shaft turn away, lines stand {value:.1f} dB out.",
        label="Sidebands of the strikes",
    ),
    Measure(
        "growl_bare_db",
        "dB",
        "The beat of what may be strikes stands {value:.1f} dB higher than strikes with all that they "
        "bring along.",
        label="Bareness of the beat",
    ),
    Measure(
        "growl_gap_db",
        "dB",
        "What may be strikes stands {value:.1f} dB further out than any other beat (below 0: less far).",
        label="Lead of the strikes",
    ),
    Measure(
        "growl_depth",
        "1",
        "Strikes, if these are strikes, swing their band by {value:.0%} of its level.",
        label="Depth of the strikes",
    ),
    Measure(
        "growl_constancy",
        "1",
        "Strikes, if these are strikes, are there for {value:.0%} of the time.",
        label="Constancy of the strikes",
    ),
    Measure(
        "growl_band_hz",
        "Hz",
        "Strikes, if these are strikes, ring most near {value:.0f} Hz.",
        label="Band of the strikes",
    ),
    Measure(
        "growl_bands",
        "1",
        "Strikes, if these are strikes, stand out in {value:.0%} of the bands.",
        label="Share of bands with strikes",
    ),
    Measure(
        "growl_kurtosis",
        "1",
        "In its sharpest band the sound is bursty by {value:.1f} (3: even, more: in strikes).",
        label="Sharpness of the strikes",
    ),
    Measure(
        "growl_share_db",
        "dB",
        "The sound of what may be strikes lies at {value:.1f} dB against the whole engine bay.",
        label="Level of the growl",
    ),
    Measure(
        "growl_apart_db",
        "dB",
        "Apart from the pump's own tone the envelope beats by {value:.1f} dB.",
        label="Strikes apart from the pump",
    ),
    Measure(
        "growl_apart_bands",
        "1",
        "Apart from the pump's tone what may be strikes stands out in {value:.0%} of the bands.",
        label="Bands with strikes apart from the pump",
    ),
    Measure(
        "growl_apart_loss_db",
        "dB",
        "Leaving out the pump's tone takes {value:.1f} dB off the beat of what may be strikes.",
        label="Loss without the pump's tone",
    ),
    Measure(
        "growl_apart_constancy",
        "1",
        "Apart from the pump's tone what may be strikes is there for {value:.0%} of the time.",
        label="Constancy apart from the pump",
    ),
    Measure(
        "growl_pump_db",
        "dB",
        "At the pump's own tone the envelope beats by {value:.1f} dB.",
        label="Beat at the pump's tone",
    ),
    Measure(
        "growl_even_whole_db",
        "dB",
        "What may be strikes at an even pace beats by {value:.1f} dB, multiples counted in.",
        label="Strikes at an even pace",
    ),
    Measure(
        "growl_even_order",
        "per crank turn",
        "What may be strikes at an even pace comes {value:.3f} times a crank turn.",
        label="Order of the even strikes",
    ),
    Measure(
        "growl_even_second_db",
        "dB",
        "The line at twice the order of what may be strikes at an even pace stands {value:.1f} dB out.",
        label="Second line of the even strikes",
    ),
    Measure(
        "growl_even_bare_db",
        "dB",
        "The beat at an even pace stands {value:.1f} dB higher than strikes with all that they bring along.",
        label="Bareness of the even beat",
    ),
    Measure(
        "growl_even_gap_db",
        "dB",
        "What may be strikes at an even pace stands {value:.1f} dB further out than any other beat (below "
        "0: less far).",
        label="Lead of the even strikes",
    ),
    Measure(
        "growl_even_constancy",
        "1",
        "What may be strikes at an even pace is there for {value:.0%} of the time.",
        label="Constancy of the even strikes",
    ),
    Measure(
        "growl_even_share_db",
        "dB",
        "What beats at an even pace lies at {value:.1f} dB against the whole engine bay.",
        label="Level of the even strikes",
    ),
    Measure(
        "growl_even_apart_constancy",
        "1",
        "Apart from the pump's tone what may be strikes at an even pace is there for {value:.0%} of the "
        "time.",
        label="Constancy of the even strikes, apart from the pump",
    ),
    Measure(
        "growl_overtone_db",
        "dB",
        "In the fastest envelopes the clearest line at two to four times the order of what may be strikes "
        "stands {value:.1f} dB out.",
        label="Overtone of the strikes",
    ),
    Measure(
        "growl_even_overtone_db",
        "dB",
        "In the fastest envelopes the clearest line at two to four times the order of what may be strikes at "
        "an even pace stands {value:.1f} dB out.",
        label="Overtone of the even strikes",
    ),
    Measure(
        "growl_even_wide_overtone_db",
        "dB",
        "In wide bands the clearest line at two to four times the order of what may be strikes at an even "
        "pace stands {value:.1f} dB out.",
        label="Overtone of the even strikes in wide bands",
    ),
    Measure(
        "growl_even_fourth_db",
        "dB",
        "The line at four times the order of what may be strikes at an even pace stands {value:.1f} dB out "
        "over many turns (balls roll too unevenly for one).",
        label="Fourth line of the even strikes",
    ),
    Measure(
        "growl_swell_over_calm_octaves",
        "octaves",
        "What swells lies {value:.2f} octaves above the calm sound (below 0: under it, the highs are there "
        "all the time).",
        label="Centre of what swells, over that of the calm",
    ),
    Measure(
        "growl_beside_whine_db",
        "dB",
        "What may be the pump's tone, which beats as well, scores {value:.1f} dB by its height and by "
        "following the steering.",
        label="Merit of a pump's tone beside the strikes",
    ),
)

OVERTONES = (2, 3, 4)
OVERTONE_NEAR, OVERTONE_SPREAD = 0.012, 0.0015
"""How near to a multiple of the strikes' order a line must lie: so much a multiple, and a share of it."""
OVERTONE_CAP_DB = 22.0
END_OF_GRID = 0.1
"""An overtone must lie so many orders below the highest."""
LOWEST, HIGHEST = 1.7, 15.0
NARROW_SHARE = 2.0 ** (0.5 / PER_OCTAVE) - 2.0 ** (-0.5 / PER_OCTAVE)
"""Width of a narrow band over its centre."""
FURTHEST_SHIFT = 0.025
SHIFT_GAIN_DB = 0.5
"""By so much the engine's comb must stand out further at another speed."""
SLOWEST_PULLEY, FASTEST_PULLEY = 0.8, 1.7
SLOWER_FULL_DB = 8.0
"""Turns of a pump's or idler's pulley per crank turn (common practice, no published source), and the height
of lines in between from which a beat is wholly that of a slower train."""
BARE_FROM_DB = 6.0
"""By so much a beat of strikes may stand above all that belongs to it."""


@dataclass(frozen=True)
class PumpHeard:
    """Order of the pump's first tone, NaN where unknown; how far it stands out."""

    tone_order: float = float("nan")
    tone_db: float = float("nan")


def measure(scene: Scene, pump: PumpHeard | None = None) -> SymptomMeasurement:
    """Measure what speaks for a bearing growl; all NaN where the speed is unknown.

    pump: what was heard of the pump before. Its vane tone beats in the envelopes too, without any bearing;
    the measures named *apart* leave that order and its half out. Those named *even*
    are of longer blocks, in which only strikes at an even pace stand out, but further.
    """
    pump = pump or PumpHeard()
    if scene.angle is None or len(scene.narrow_hz) == 0:
        return SymptomMeasurement(filled(MEASURES, {}))
    values, level = _strikes(scene, scene.angle, scene.angle.short, pump)
    values["growl_kurtosis"] = _kurtosis(engine_free_beats(scene.angle, narrow=True))
    values["growl_beside_whine_db"] = pump.tone_db
    even = values if scene.angle.long is scene.angle.short else None
    even = even or _strikes(scene, scene.angle, scene.angle.long, pump)[0]
    named = {each.name for each in MEASURES}
    evenly = {name.replace("growl_", "growl_even_", 1): value for name, value in even.items()}
    values |= {name: value for name, value in evenly.items() if name in named}
    values |= _overtones(scene.angle, values["growl_order"], even["growl_order"])
    if scene.swell is not None:
        values["growl_swell_over_calm_octaves"] = scene.swell.over_calm_octaves
    values = filled(MEASURES, values)
    spans = ((0.0, round(scene.duration_s, 1)),)
    return SymptomMeasurement(values, spans, level, evidence_of(MEASURES, values))


def _strikes(scene: Scene, angle: AngleView, beats: Beats, pump: PumpHeard) -> tuple[dict[str, float], float]:
    """Search the strikes in blocks of one length: their measures, and the level of what beats, dB."""
    count, step = len(scene.narrow_hz), beats.step
    lines = np.clip(beats.narrow_excess_db, -3.0, 22.0)
    near_engine = beats.near_engine(beats.order) | _near_shifted_engine(beats)
    masked = np.where(near_engine[:, None], 0.0, peaks_only(lines, 2, 0.0))
    wide, wider = spread_maximum(masked, 1), spread_maximum(masked, 2)
    grid = np.arange(LOWEST, HIGHEST, step)

    def at(values: FloatArray, orders: FloatArray) -> FloatArray:
        index = np.round(orders / step).astype(int)
        inside = (index < len(values)) & (index >= 0)
        return np.where(inside[:, None], values[np.clip(index, 0, len(values) - 1)], 0.0)

    shafts = np.arange(0.85, 3.0, step)
    first, second, third = at(wide, grid), at(wider, 2 * grid), at(wider, 3 * grid)
    per_band = first + 0.5 * np.clip(second, 0, None) + 0.35 * np.clip(third, 0, None)
    ranked = np.sort(per_band, axis=1)[:, ::-1]
    score = 0.6 * ranked[:, 0] + 0.4 * ranked[:, : min(3, count)].mean(axis=1)
    best = int(np.argmax(score))
    order = float(grid[best])
    others = score[np.abs(grid - order) > 0.15]
    strongest = int(np.argmax(per_band[best]))
    together = wide[:, np.argsort(-per_band[best])[:3]].mean(axis=1)[:, None]
    sides = 0.5 * (at(together, order - shafts) + at(together, order + shafts))
    slower_db = _slower_train_db(
        wider[:, np.argsort(-per_band[best])[:3]].mean(axis=1), order, near_engine, step
    )
    line_db, harmonic_db = _loudest(first[best]), max(_loudest(second[best]), _loudest(third[best]), 0.0)
    pair_db = _pair_db(at(wide, order - shafts), at(wide, order + shafts), per_band[best])
    near = np.abs(beats.order - order) < max(0.03, 0.51 * step)
    beside = np.abs(np.abs(beats.order - order) - 0.2) < 0.1
    level = _level_db(scene, beats, near, beside)
    of_pump = _of_pump(grid, pump, step)
    kept = np.where(of_pump, -3.0, score)
    apart = int(np.argmax(kept))
    return {
        "growl_comb_db": float(score[best]),
        "growl_whole_db": float(score[best]) * (1.0 - min(slower_db, SLOWER_FULL_DB) / SLOWER_FULL_DB),
        "growl_order": order,
        "growl_line_db": line_db,
        "growl_second_db": _loudest(second[best]),
        "growl_sideband_db": float(sides.max()),
        "growl_bare_db": max(line_db - BARE_FROM_DB - harmonic_db - pair_db, 0.0),
        "growl_gap_db": float(score[best] - others.max()),
        "growl_depth": float(np.sqrt(beats.narrow_power[near][:, strongest].max())),
        "growl_constancy": _constancy(beats, order, strongest),
        "growl_band_hz": float(scene.narrow_hz[strongest]),
        "growl_bands": float((first[best] > 3.0).mean()),
        "growl_share_db": level,
        "growl_apart_db": float(kept[apart]),
        "growl_apart_bands": float((first[apart] > 3.0).mean()),
        "growl_apart_loss_db": float(score[best] - kept[apart]),
        "growl_apart_constancy": _constancy(beats, float(grid[apart]), int(np.argmax(per_band[apart]))),
        "growl_pump_db": float(score[of_pump].max()) if of_pump.any() else float("nan"),
    }, level


def _overtones(angle: AngleView, order: float, even_order: float) -> dict[str, float]:
    """How far lines at multiples of the strikes' order stand out, by the names of the measures.

    What rings shortly has them; blades, which stir the air smoothly, hardly. They are clearest where the
    envelopes are as fast as a strike. Balls slip, so that the fourth line is none over some 80 turns or more:
    where it is one, a belt or a pulley strikes (chosen on simulated clips).
    """
    found = {
        "growl_even_wide_overtone_db": _overtone_db(
            angle.short, angle.short.beat_excess_db, even_order, OVERTONES
        ),
        "growl_even_fourth_db": _overtone_db(angle.long, angle.long.narrow_excess_db, even_order, (4,)),
    }
    if (fast := angle.fast) is not None:
        found["growl_overtone_db"] = _overtone_db(fast, fast.beat_excess_db, order, OVERTONES)
        found["growl_even_overtone_db"] = _overtone_db(fast, fast.beat_excess_db, even_order, OVERTONES)
    return found


def _overtone_db(beats: Beats, height_db: FloatArray, order: float, multiples: tuple[int, ...]) -> float:
    """Height of the clearest of the lines at these multiples of an order; NaN where all lie beyond the grid.

    height_db: of every line of ``beats``, shape (q, bands); the mean of the three highest bands counts. Lines
    that may be the engine's are passed over: where there are no others, it is 0.
    """
    if multiples[0] * order > round(float(beats.order[-1])) - END_OF_GRID:
        return float("nan")
    free = ~beats.near_engine(beats.order)
    heights = [0.0]
    for multiple in multiples:
        at = multiple * order
        reach = max(OVERTONE_NEAR * multiple, 0.6 * beats.step) + OVERTONE_SPREAD * at
        here = free & (np.abs(beats.order - at) < reach)
        if here.any() and height_db.shape[1]:
            heights.append(_loudest(np.clip(height_db[here].max(axis=0), 0.0, OVERTONE_CAP_DB)))
    return max(heights)


def _constancy(beats: Beats, order: float, column: int) -> float:
    """Share of the blocks in which a band beats at an order, well above the orders beside it."""
    away = np.abs(beats.order - order)
    band = beats.narrow_blocks[:, :, column]
    around = np.median(band[:, np.abs(away - 0.2) < 0.1], axis=1)
    near = away < max(0.03, 0.51 * beats.step)
    return float(np.mean(band[:, near].max(axis=1) > 4.0 * around))


def _near_shifted_engine(beats: Beats) -> Mask:
    """Which lines belong to the engine's comb where the speed was heard a little too low or too high.

    The comb of half orders is searched within 2.5 % of the speed; where it stands out elsewhere than at the
    speed itself, its lines are the engine's as well.
    """
    if not beats.beat_power.size:
        return np.zeros(len(beats.order), bool)
    height = np.clip(beats.beat_excess_db, -3.0, 12.0).mean(axis=1)
    combs = np.arange(0.5, 8.1, 0.5)
    shifts = np.linspace(-FURTHEST_SHIFT, FURTHEST_SHIFT, 101)
    index = np.round(combs[None, :] * (1.0 + shifts[:, None]) / beats.step).astype(int)
    score = height[np.minimum(index, len(height) - 1)].mean(axis=1)
    best = int(np.argmax(score))
    middle = np.abs(shifts) < 0.004
    if score[best] < score[middle].max() + SHIFT_GAIN_DB:
        return np.zeros(len(beats.order), bool)
    return beats.near_engine(beats.order / (1.0 + shifts[best]))


def _slower_train_db(lines: FloatArray, order: float, near_engine: Mask, step: float) -> float:
    """Height of the lines that a train once per pulley turn would have between those of the beat.

    lines: height by order in the bands that beat most, dB, shape (n,). A pulley that strikes or a belt that
    chirps once per turn has lines at all multiples; half or a third of the beat's order is then a pulley's.
    """
    found = 0.0
    for part in (2, 3):
        if not SLOWEST_PULLEY <= order / part <= FASTEST_PULLEY:
            continue
        index = np.array([round(order / part * k / step) for k in range(1, 2 * part) if k % part])
        index = index[index < len(lines)]
        free = index[~near_engine[index]]
        if len(free):
            found = max(found, float(np.maximum(lines[free], 0.0).mean()))
    return found


def _loudest(bands: FloatArray) -> float:
    """Mean of the three highest bands."""
    return float(np.sort(bands)[::-1][:3].mean())


def _pair_db(below: FloatArray, above: FloatArray, beat: FloatArray) -> float:
    """Height of the best pair of lines a shaft turn below and above the beat, shape (shafts, bands).

    The three bands that beat most count; a line that stands on one side alone counts half.
    """
    low, high = np.clip(below, 0.0, None), np.clip(above, 0.0, None)
    pair = 0.5 * (low + high) + 0.5 * np.minimum(low, high)
    return float(pair[:, np.argsort(-beat)[:3]].mean(axis=1).max())


def _of_pump(orders: FloatArray, pump: PumpHeard, step: float) -> Mask:
    """Which orders are the pump's tone or its half."""
    if not np.isfinite(pump.tone_order):
        return np.zeros(len(orders), bool)
    away = np.minimum(np.abs(orders - pump.tone_order), np.abs(orders - 0.5 * pump.tone_order))
    return np.asarray(away < np.maximum(2.5 * step, 0.004 * orders))


def _level_db(scene: Scene, beats: Beats, near: Mask, beside: Mask) -> float:
    """Level of what beats at the found order: each band's power times twice the line's depth."""
    share = 0.0
    for column, band_hz in enumerate(scene.narrow_hz):
        line = beats.narrow_power[near, column].max() - np.median(beats.narrow_power[beside, column])
        part = min(2.0 * float(np.sqrt(max(float(line), 0.0))), 1.0)
        share += part * float(np.median(scene.density_at(band_hz))) * band_hz * NARROW_SHARE
    return float(decibels(share * 2.0 / scene.sample_rate_hz / max(scene.engine_power, TINY)))


def _kurtosis(rest: FloatArray) -> float:
    """Kurtosis of the engine-free envelopes, the most impulsive band, held at 30."""
    if len(rest) < 100:
        return float("nan")
    squared = rest * rest  # a power of four is taken far more slowly
    power = np.maximum(squared.mean(axis=0), TINY)
    return min(float(((squared * squared).mean(axis=0) / power**2).max()), 30.0)
