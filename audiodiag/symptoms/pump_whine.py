"""Pump whine: is there a comb of tones at an order that is not the engine's, and does it follow the steering?

The vanes passing make a tone at R z events per crank turn (R pump turns per crank turn, z vanes) with
harmonics and sidebands at R. The order is searched between 6.5 and 27.5 in the order spectrum: what counts
is the height above the surroundings and, near a half order, above what the engine's own comb makes likely.
The clearest lasting tone is followed as well, whatever the engine speed (``gliding_tones``).
"""

from __future__ import annotations

import math

import numpy as np

from audiodiag.orders.drive import likeliest_tone
from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import AngleView, engine_comb_db
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import (
    TINY,
    Mask,
    bridge,
    correlation,
    decibels,
    half_order_distance,
    lines_above_floor,
    noise_reach_db,
    percentile,
    smooth,
    spans_of,
    spread_maximum,
)
from audiodiag.symptoms.stated_pump import OFF_STATED_DB, SEARCHED_ORDERS, off_stated_tones

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "whine_comb_db",
        "dB",
        "The best comb of tones off the engine's orders stands out by {value:.1f} dB (below 0: not at all).",
        label="Height of the pump's comb of tones",
    ),
    Measure(
        "whine_order",
        "per crank turn",
        "The first tone that may be the pump's sits at order {value:.2f}.",
        label="Order of the pump's first tone",
    ),
    Measure(
        "whine_line_db",
        "dB",
        "The first tone that may be the pump's stands {value:.1f} dB above the sound around it.",
        label="Height of the pump's first tone",
    ),
    Measure(
        "whine_second_db",
        "dB",
        "The second tone that may be the pump's, at twice the order of the first, stands {value:.1f} dB out.",
        label="Height of the pump's second tone",
    ),
    Measure(
        "whine_third_db",
        "dB",
        "The third tone that may be the pump's, at three times the order of the first, stands "
        "{value:.1f} dB out.",
        label="Height of the pump's third tone",
    ),
    Measure(
        "whine_sideband_db",
        "dB",
        "Beside the tone that may be the pump's, one pump turn away, lines stand {value:.1f} dB out.",
        label="Sidebands of the pump's tone",
    ),
    Measure(
        "whine_gap_db",
        "dB",
        "Tones at the order that may be the pump's stand {value:.1f} dB further out than those at any "
        "other (below 0: less far).",
        label="Lead of the comb of tones",
    ),
    Measure(
        "whine_half_order_distance",
        "per crank turn",
        "The tone that may be the pump's lies {value:.2f} orders away from the engine's nearest one.",
        label="Distance of the tone from the engine's orders",
    ),
    Measure(
        "whine_over_engine_db",
        "dB",
        "The tone that may be the pump's lies at {value:.1f} dB against the engine's tones beside it.",
        label="Tone against the engine's tones",
    ),
    Measure(
        "whine_share_db",
        "dB",
        "The tones that may be the pump's lie at {value:.1f} dB against the whole engine bay.",
        label="Level of the whine",
    ),
    Measure(
        "whine_merit_db",
        "dB",
        "The tone that may be the pump's scores {value:.1f} dB by its height and by following the steering.",
        label="Merit of the comb of tones",
    ),
    Measure(
        "whine_merit_gap_db",
        "dB",
        "In height and in following the steering the tone that may be the pump's leads the next "
        "by {value:.1f} dB.",
        label="Lead in merit",
    ),
    Measure(
        "whine_tones",
        "1",
        "The number of orders with clear tones off the engine's is {value:.0f}.",
        label="Number of clear tones",
    ),
    Measure(
        "whine_growth_db",
        "dB",
        "From its calm to its loud stretches the tone that may be the pump's grows by {value:.1f} dB.",
        label="Growth of the tone",
    ),
    Measure(
        "whine_dip_correlation",
        "1",
        "The tone that may be the pump's goes with the load of the steering by {value:.2f} (1: wholly, 0: "
        "not at all, below 0: the other way).",
        label="Tone going with the load of the steering",
    ),
    Measure(
        "whine_noise_correlation",
        "1",
        "The tone that may be the pump's goes with the loudness of the noise by {value:.2f} (1: wholly, 0: "
        "not at all, below 0: the other way).",
        label="Tone going with the noise",
    ),
    Measure(
        "whine_motion_db",
        "dB",
        "Against the engine's tones the level of the tone that may be the pump's moves by {value:.1f} dB.",
        label="Motion of the tone",
    ),
    Measure(
        "whine_wander",
        "1",
        "The tone that may be the pump's wanders by {value:.2f} orders.",
        label="Wander of the tone",
    ),
    Measure(
        "whine_steadiness",
        "1",
        "The tone that may be the pump's is clear for {value:.0%} of the time.",
        label="Steadiness of the tone",
    ),
    Measure(
        "whine_likely_db",
        "dB",
        "By its height, its loudness and its motion with the steering the tone that is likeliest the pump's "
        "scores {value:.1f} dB (0: it is as likely the pump's as none is heard).",
        label="Odds of the likeliest tone",
    ),
    Measure(
        "whine_likely_over_engine_db",
        "dB",
        "The tone that is likeliest the pump's lies at {value:.1f} dB against the engine's lines.",
        label="Likeliest tone against the engine's lines",
    ),
    Measure(
        "whine_likely_sideband_db",
        "dB",
        "Beside the tone that is likeliest the pump's, one pump turn away, lines stand {value:.1f} dB out.",
        label="Sidebands of the likeliest tone",
    ),
    Measure(
        "whine_gliding_share",
        "1",
        "The clearest lasting tone, with its multiples if it has any, stands out for {value:.0%} of the "
        "time.",
        label="Time in which a lasting tone stands out",
    ),
    Measure(
        "whine_gliding_level_db",
        "dB",
        "Where they stand out most, the clearest lasting tone and its multiples lie at {value:.1f} dB "
        "against the whole sound there (0: nothing else sounds).",
        label="Level of the lasting tone",
    ),
    Measure(
        "whine_gliding_motion_db",
        "dB",
        "The level of the clearest lasting tone moves by {value:.1f} dB.",
        label="Motion of the lasting tone",
    ),
    Measure(
        "whine_gliding_stray_percent",
        "%",
        "The clearest lasting tone strays from its course by {value:.2f} %.",
        label="Straying of the lasting tone",
    ),
    Measure(
        "whine_gliding_half_db",
        "dB",
        "Midway from the clearest lasting tone to twice its pitch a line stands out by {value:.1f} dB "
        "(below 0: none).",
        label="Line midway to twice the lasting tone",
    ),
    Measure(
        "whine_gliding_third_db",
        "dB",
        "A third or two thirds of the way from the clearest lasting tone to twice its pitch a line stands "
        "out by {value:.1f} dB (below 0: none).",
        label="Line a third of the way to twice the lasting tone",
    ),
)

LOWEST, HIGHEST = SEARCHED_ORDERS
CAP_DB = 18.0
CLEAR_DB = 8.0
"""From this height on a comb counts as clear."""
FIRING_NEAR, FIRING_FROM, FIRING_WHOLE = 0.004, 2.0, 4.0
"""How near to a multiple of the firing order a tone is held for the engine's own, as a share of the order;
and the firing order from which that counts and where it counts wholly: with few cylinders the multiples lie
so close that a pump's tone often falls near one (chosen on simulated clips)."""
HEARD_OVER_DB, HEARD_WITHIN_DB = 5.0, 20.0
"""A tone is told from its surroundings so far above them, and silent so far below its own loudest."""


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure what speaks for a pump whine; where the speed is unknown, the lasting tone alone."""
    gliding = _gliding(scene)
    if scene.angle is None:
        values = filled(MEASURES, gliding)
        return SymptomMeasurement(values, evidence=evidence_of(MEASURES, values))
    angle = scene.angle
    step = angle.order_step
    raw = lines_above_floor(angle.order_power, int(1.25 / step), angle.averages)
    excess = raw - _engine_expectation_db(angle, scene.cylinders)
    excess = np.minimum(excess, raw)
    grid = np.arange(LOWEST, HIGHEST, step)
    first = _at(spread_maximum(excess, 1), grid, step)
    second = _at(spread_maximum(excess, 2), 2 * grid, step)
    third = _at(spread_maximum(excess, 3), 3 * grid, step)
    score = np.clip(first, -6, CAP_DB) + 0.5 * (
        np.clip(np.nan_to_num(second), 0, CAP_DB) + np.clip(np.nan_to_num(third), 0, CAP_DB)
    )
    less = OFF_STATED_DB * off_stated_tones(grid, scene.vehicle)
    plain, score = score, score - less
    candidates = _candidates(grid, score)
    follows = [_over_time(scene, angle, float(grid[i])) for i in candidates]
    merit = [float(score[i]) + _following(f) for i, f in zip(candidates, follows, strict=True)]
    chosen = int(np.argmax(merit))
    best, over_time = candidates[chosen], follows[chosen]
    order = float(grid[best])
    others = plain[np.abs(grid - order) > 0.4]
    track, beside = _tracked(angle, order)
    refined = _refined(angle, order)
    own = 1.0 - _of_firing(refined, scene.cylinders)
    values = {
        "whine_comb_db": score[best] * (own if score[best] > 0.0 else 1.0),
        "whine_order": refined,
        "whine_line_db": _at(spread_maximum(raw, 1), np.array([order]), step)[0],
        "whine_second_db": second[best],
        "whine_third_db": third[best],
        "whine_sideband_db": _sidebands_db(excess, order, step),
        "whine_gap_db": plain[best] - others.max(),
        "whine_half_order_distance": float(half_order_distance(order)),
        "whine_over_engine_db": _over_engine_db(angle, order),
        "whine_merit_db": merit[chosen] * (own if merit[chosen] > 0.0 else 1.0),
        "whine_merit_gap_db": merit[chosen]
        + less[best]
        - max([m + less[candidates[i]] for i, m in enumerate(merit) if i != chosen], default=0.0),
        "whine_tones": float(sum(plain[i] > CLEAR_DB for i in candidates)),
        **over_time,
        **_likely(scene),
        **gliding,
    }
    share = _share(angle, order, track)
    level = float(decibels(share / max(scene.engine_power, TINY)))
    values["whine_share_db"] = level
    values = filled(MEASURES, values)
    on = np.interp(scene.time_s, angle.map_time_s, _sounding(track, beside).astype(float)) > 0.5
    return SymptomMeasurement(values, spans_of(on, 0.05, 0.3, 0.6), level, evidence_of(MEASURES, values))


def _likely(scene: Scene) -> dict[str, float]:
    """What the tone is like that is the pump's with the best odds, by the names of the measures.

    The comb above is the highest; these odds were learnt from simulated pumps beside other parts (``drive``).
    """
    if (tone := likeliest_tone(scene.tones, scene.vehicle)) is None:
        return {}
    return {
        "whine_likely_db": 10.0 * math.log10(math.e) * tone.log_odds,
        "whine_likely_over_engine_db": tone.over_engine_db,
        "whine_likely_sideband_db": tone.sideband_db,
    }


def _gliding(scene: Scene) -> dict[str, float]:
    """What the clearest lasting tone is like, by the names of the measures."""
    if (tones := scene.gliding) is None:
        return {}
    return {
        "whine_gliding_share": tones.clear_share,
        "whine_gliding_level_db": tones.share_db,
        "whine_gliding_motion_db": tones.motion_db,
        "whine_gliding_stray_percent": tones.stray_percent,
        "whine_gliding_half_db": tones.half_db,
        "whine_gliding_third_db": tones.third_db,
    }


def _of_firing(order: float, cylinders: int | None) -> float:
    """How far a tone is held for the engine's own, 0 to 1, being so near to a multiple of its firing.

    Those lines are the loudest of all, few with many cylinders, and where the speed moves they are heard a
    little beside their order, with all their multiples, as a pump's tone would be.

    >>> round(_of_firing(8.03, 8), 1), round(_of_firing(8.03, 6), 1), _of_firing(8.03, 4)
    (0.6, 0.0, 0.0)
    """
    if not cylinders:
        return 0.0
    firing = cylinders / 2.0
    away = abs(order - firing * max(round(order / firing), 1)) / (FIRING_NEAR * order)
    counts = min(max((firing - FIRING_FROM) / (FIRING_WHOLE - FIRING_FROM), 0.0), 1.0)
    return counts * math.exp(-0.5 * away**2)


def _sounding(track: FloatArray, beside: FloatArray) -> Mask:
    """When the tone sounds: everywhere but where it is known to lie far below its own loudest.

    Where the sound beside it would cover it, nobody knows: the pump turns on, and so does its tone.
    """
    at_most = smooth(np.maximum(track, beside + HEARD_OVER_DB), 3)
    return np.asarray(at_most > percentile(smooth(track, 3), 95.0) - HEARD_WITHIN_DB)


def _refined(angle: AngleView, order: float) -> float:
    """The order at the middle of the line's power."""
    near = np.abs(angle.order - order) < 2.6 * angle.order_step
    power = angle.order_power[near] - angle.order_power[near].min()
    total = float(power.sum())
    return float(power @ angle.order[near]) / total if total > 0 else order


def _at(values: FloatArray, orders: FloatArray, step: float) -> FloatArray:
    """Value of the nearest line, NaN beyond the grid."""
    index = np.round(orders / step).astype(int)
    return np.where(index < len(values), values[np.minimum(index, len(values) - 1)], np.nan)


def _engine_expectation_db(angle: AngleView, cylinders: int | None) -> FloatArray:
    """What the engine's comb makes likely at every order, dB above the surroundings; -inf off the comb.

    At each half order: the larger of the medians of its neighbours on the comb and of its neighbours among
    the firing orders. Lines are held to be as wide as the window makes them, and wider with the order.
    """
    lattice = engine_comb_db(angle, float(angle.order[-1] - 2.0))
    count = len(lattice)
    steps = [cylinders] if cylinders else [3, 4, 5, 6, 8]
    expected = np.zeros(count)
    for k in range(count):
        near = [lattice[j] for d in (1, 2, 3) for j in (k - d, k + d) if 0 <= j < count]
        best = float(np.median(near))
        for period in steps:
            firing = [lattice[j] for d in (1, 2) for j in (k - d * period, k + d * period) if 0 <= j < count]
            if len(firing) >= 2:
                best = max(best, float(np.median(firing)))
        expected[k] = best
    index = np.clip(np.round(angle.order * 2).astype(int) - 1, 0, count - 1)
    inside = half_order_distance(angle.order) < 0.045 + 0.001 * angle.order
    return np.where(inside, np.maximum(expected[index] + 3.0, 3.0), -np.inf)


def _sidebands_db(excess: FloatArray, order: float, step: float) -> float:
    """Best mean height of a pair of lines at +-R around the tone, R from 0.85 to 1.65."""
    ratios = np.arange(0.85, 1.65, step)
    wide = spread_maximum(excess, 1)
    pair = [np.clip(_at(wide, order + s * ratios, step), -6, CAP_DB) for s in (-1.0, 1.0)]
    return float(np.max(0.5 * (pair[0] + pair[1])))


def _over_engine_db(angle: AngleView, order: float) -> float:
    """Level of the tone against the loudest engine lines within 2.5 orders around it."""
    near = np.abs(angle.order - order) < 0.06
    comb = (np.abs(angle.order - order) < 2.5) & (half_order_distance(angle.order) < 0.05) & ~near
    if not near.any() or not comb.any():
        return float("nan")
    return float(decibels(angle.order_power[near].max() / max(float(angle.order_power[comb].max()), TINY)))


def _tracked(angle: AngleView, order: float) -> tuple[FloatArray, FloatArray]:
    """Level over time of the tone and of the sound beside it, dB, from the short blocks."""
    offset = np.abs(angle.map_order - order)
    tone = angle.map_power[:, offset < 0.12].max(axis=1)
    beside = (offset > 0.25) & (offset < 1.5) & (half_order_distance(angle.map_order) > 0.12)
    return decibels(tone), decibels(np.median(angle.map_power[:, beside], axis=1))


def _candidates(grid: FloatArray, score: FloatArray) -> list[int]:
    """Up to six highest combs at least 0.3 orders apart, none a multiple of a higher one."""
    kept: list[int] = []
    for i in np.argsort(-score):
        order = grid[i]
        if all(
            abs(order - grid[k]) > 0.3 and min(abs(order - h * grid[k]) for h in (2, 3)) > 0.1 for k in kept
        ):
            kept.append(int(i))
        if len(kept) == 6:
            break
    return kept


def _following(over_time: dict[str, float]) -> float:
    """What a tone earns for following the steering: up to 8 dB for the speed's dips, 6 dB for its motion."""
    dip = np.nan_to_num(over_time["whine_dip_correlation"])
    return 8.0 * max(float(dip), 0.0) + min(over_time["whine_motion_db"], 6.0)


def _over_time(scene: Scene, angle: AngleView, order: float) -> dict[str, float]:
    """How the tone changes over the clip and what it changes with.

    Motion is the spread of its level over some 1 s, against the engine's comb, less what the speed explains.
    """
    track, beside = _tracked(angle, order)
    over = smooth(track - angle.comb_db, 5)
    octaves = np.log2(angle.crank.rpm_at(angle.map_time_s))
    octaves -= octaves.mean()
    slope = float(octaves @ (over - over.mean())) / (len(over) * (octaves.var() + 0.04**2))
    over = over - octaves * max(slope, 0.0)
    level = smooth(track, 3)
    growth = percentile(level, 90.0) - percentile(level, 10.0)
    dip = np.interp(angle.map_time_s, scene.time_s, bridge(scene.dip_percent))
    noise = np.interp(angle.map_time_s, scene.time_s, smooth(scene.band_db(300.0, 8000.0), 10))
    load = dip
    if scene.steering_load is not None:
        load = np.interp(angle.map_time_s, scene.time_s, bridge(scene.steering_load))
    near = np.abs(angle.map_order - order) < 0.3
    power = angle.map_power[:, near]
    place = angle.map_order[near][np.argmax(power, axis=1)] / order - 1.0
    clear = track - beside > 9.0
    wander = float("nan")
    if clear.sum() >= 6:
        wander = float(np.median(np.abs(place[clear] - np.median(place[clear]))) * order)
    return {
        "whine_growth_db": growth,
        "whine_dip_correlation": correlation(level - smooth(beside, 3), load),
        "whine_noise_correlation": correlation(level, noise),
        "whine_motion_db": percentile(over, 90.0) - percentile(over, 20.0),
        "whine_wander": wander,
        "whine_steadiness": float(np.mean(track - beside > noise_reach_db(1.0, 4.0))),
    }


def _share(angle: AngleView, order: float, track: FloatArray) -> float:
    """Power of the first three tones in their louder half of the time, mean square."""
    power = 0.0
    for harmonic in (1, 2, 3):
        near = np.abs(angle.order - harmonic * order) < 0.04 + 0.02 * harmonic
        beside = np.abs(np.abs(angle.order - harmonic * order) - 0.25) < 0.12
        if near.any() and beside.any():
            power += (
                max(float(angle.order_power[near].max() - np.median(angle.order_power[beside])), 0.0) / 2.0
            )
    loud = np.mean(10.0 ** (track / 10.0))
    return power * float(np.percentile(10.0 ** (track / 10.0), 75.0) / max(loud, TINY))
