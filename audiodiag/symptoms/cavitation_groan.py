"""Cavitation groan: does noise swell in stretches, rough and irregular, beating at the pump's turns?

Groan is noise, not tones: its bands rise together, its envelope is rough at 5 to 50 ms once the engine's own
cycle has been taken out, and what is periodic in it sits at R, 2R and R z, not at half orders.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import AngleView
from audiodiag.symptoms.beats import engine_free_beats
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.pump_beats import RATIOS, turn_beats
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import (
    TINY,
    Mask,
    bridge,
    correlation,
    decibels,
    doublings,
    half_order_distance,
    percentile,
    smooth,
    spans_of,
)
from audiodiag.symptoms.stated_pump import off_stated_turns

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "groan_rise_db",
        "dB",
        "In its loud stretches the noise from 0.1 up to 8 kHz at most rises by {value:.1f} dB.",
        label="Rise of the noise",
    ),
    Measure(
        "groan_rise_low_db",
        "dB",
        "From 100 to 600 Hz the noise rises by {value:.1f} dB in its loud stretches.",
        label="Rise of the low noise",
    ),
    Measure(
        "groan_rise_mid_db",
        "dB",
        "From 600 to 3000 Hz the noise rises by {value:.1f} dB in its loud stretches.",
        label="Rise of the middle noise",
    ),
    Measure(
        "groan_rise_high_db",
        "dB",
        "From 3 up to 8 kHz at most the noise rises by {value:.1f} dB in its loud stretches.",
        label="Rise of the high noise",
    ),
    Measure(
        "groan_rise_unevenness_db",
        "dB",
        "From calm to loud the bands of the noise rise unevenly, by {value:.1f} dB around their mean.",
        label="Unevenness of the rise",
    ),
    Measure(
        "groan_rise_flatness_db",
        "dB",
        "The sound that comes in when the noise gets loud has a flatness of {value:.1f} dB (0: like noise, "
        "far below: like tones).",
        label="Flatness of the rise",
    ),
    Measure(
        "groan_loud_share", "1", "The noise is loud for {value:.0%} of the clip.", label="Share of loud noise"
    ),
    Measure(
        "groan_dip_correlation",
        "1",
        "The noise goes with the dips of the engine speed by {value:.2f} (1: wholly, 0: not at all, below "
        "0: the other way).",
        label="Noise going with the dips of the speed",
    ),
    Measure(
        "groan_beat_db",
        "dB",
        "At the turns of a pump that fit best, the noise beats by {value:.1f} dB in sum (12 to 21 "
        "without a groan).",
        label="Beat of the noise with the pump",
    ),
    Measure(
        "groan_beat_ratio",
        "per crank turn",
        "What may be a beat of the noise with a pump comes {value:.2f} times per crank turn.",
        label="Turns at which the noise beats",
    ),
    Measure(
        "groan_beat_gap_db",
        "dB",
        "The noise swings most at one pump speed, {value:.1f} dB more than at any other.",
        label="Lead of the noise's beat",
    ),
    Measure(
        "groan_high_beat_db",
        "dB",
        "The bands of the noise above 3 kHz, for themselves, beat at a pump's turns by "
        "{value:.1f} dB in sum.",
        label="Beat of the high noise with the pump",
    ),
    Measure(
        "groan_high_gap_db",
        "dB",
        "The noise above 3 kHz swings most at one pump speed, {value:.1f} dB more than at any other.",
        label="Lead of the high noise's beat",
    ),
    Measure(
        "groan_vane_beat_db",
        "dB",
        "What may be a beat of the noise with the pump's vanes stands {value:.1f} dB out.",
        label="Beat of the noise with the vanes",
    ),
    Measure(
        "groan_roughness",
        "1",
        "Off the engine's beat the bands of the noise have {value:.0%} of their swing in common.",
        label="Roughness: swing common to the bands",
    ),
    Measure(
        "groan_roughness_calm",
        "1",
        "In the calm stretches the bands of the noise have {value:.0%} of their swing in common.",
        label="Roughness when calm: swing common to the bands",
    ),
    Measure(
        "groan_rise_over_engine_db",
        "dB",
        "Against the engine's tones the noise rises by {value:.1f} dB.",
        label="Rise against the engine",
    ),
    Measure(
        "groan_floor_rise_db",
        "dB",
        "Between the engine's tones the sound rises by {value:.1f} dB from calm to loud.",
        label="Rise between the engine's tones",
    ),
    Measure(
        "groan_swing_db",
        "dB",
        "In the loud stretches the level of the noise swings by {value:.1f} dB within half a second.",
        label="Swing of the level",
    ),
    Measure(
        "groan_swing_growth",
        "1",
        "From calm to loud the swing of the noise's level changes by {value:.1f} doublings (below 0: it "
        "shrinks).",
        label="Growth of the swing",
    ),
    Measure(
        "groan_swing_alikeness",
        "1",
        "In the loud stretches the bands of the noise swing alike by {value:.2f} (1: as one, 0: each on "
        "its own, below 0: against each other).",
        label="Alikeness of the swing over the bands",
    ),
    Measure(
        "groan_roughness_growth",
        "1",
        "From calm to loud the roughness of the noise changes by {value:.1f} doublings (below 0: it "
        "shrinks).",
        label="Growth of the roughness",
    ),
    Measure(
        "groan_roughness_kurtosis",
        "1",
        "In its loud stretches the noise is bursty by {value:.1f} (3: even, more: in bursts).",
        label="Bursts in the roughness",
    ),
    Measure(
        "groan_share_db",
        "dB",
        "What swells of the noise, if anything does, lies at {value:.1f} dB against the whole engine bay.",
        label="Level of the groan",
    ),
    Measure(
        "groan_swell_evenness",
        "1",
        "What swells over the calm fills 0.3 to 4 kHz evenly by {value:.2f} (1: wholly, as noise does; 0: "
        "one narrow band alone).",
        label="Evenness of what swells",
    ),
    Measure(
        "groan_swell_usual_db",
        "dB",
        "From 1.5 up to 11 kHz at most, what stands over the calm usually lies at {value:.1f} dB against it "
        "(-20: nothing does).",
        label="Usual excess over the calm",
    ),
)

SWELL_SHARE = 0.08
"""A swell counts from this share of its rise in decibels."""
BEATS_BELOW_HZ = 3000.0
"""The bands below tell at which turns the noise beats, those above for themselves: other sounds beat in them
more often (by simulation)."""


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure what speaks for a cavitation groan; beats are NaN where the speed is unknown."""
    if not scene.usable or scene.level.shape[1] < 3:
        return SymptomMeasurement(filled(MEASURES, {}))
    track = smooth(scene.band_db(150.0, 8000.0), 7)
    if not np.isfinite(track).all():
        return SymptomMeasurement(filled(MEASURES, {}))
    loud, calm = _loud_and_calm(track)
    rise = decibels(scene.level[loud]).mean(axis=0) - decibels(scene.level[calm]).mean(axis=0)
    values = {
        "groan_rise_db": _between(scene, rise, 100.0, 8000.0),
        "groan_rise_low_db": _between(scene, rise, 100.0, 600.0),
        "groan_rise_mid_db": _between(scene, rise, 600.0, 3000.0),
        "groan_rise_high_db": _between(scene, rise, 3000.0, 8000.0),
        "groan_rise_unevenness_db": float(np.std(rise[(scene.level_hz > 150) & (scene.level_hz < 8000)])),
        "groan_rise_flatness_db": _flatness_db(scene, loud, calm),
        "groan_loud_share": float(np.mean(track > 0.5 * (percentile(track, 10) + percentile(track, 95)))),
        "groan_dip_correlation": correlation(track, bridge(scene.dip_percent)),
    }
    if scene.angle is not None and scene.beat_hz.size:
        values |= _beats(scene, scene.angle, track)
        values |= _roughness(scene, scene.angle, loud, calm)
        values["groan_floor_rise_db"] = _floor_rise_db(scene.angle)
        comb = np.interp(scene.time_s, scene.angle.map_time_s, scene.angle.comb_db)
        over = scene.band_db(400.0, 8000.0) - comb
        over_loud, over_calm = _loud_and_calm(smooth(over, 7))
        values["groan_rise_over_engine_db"] = float(over[over_loud].mean() - over[over_calm].mean())
    values |= _swing(scene, loud, calm)
    power = scene.power_between(100.0, 8000.0)
    extra = max(float(power[loud].mean() - power[calm].mean()), TINY)
    level = float(decibels(extra / max(scene.engine_power, TINY)))
    values["groan_share_db"] = level
    if scene.swell is not None:
        values["groan_swell_evenness"] = scene.swell.evenness_middle
        values["groan_swell_usual_db"] = scene.swell.usual_db
    values = filled(MEASURES, values)
    swells = values["groan_rise_db"] > 3.0
    threshold = float(track[calm].mean()) + SWELL_SHARE * values["groan_rise_db"]
    spans = spans_of(track > threshold, 0.05, 0.2, 0.5) if swells else ((0.0, round(scene.duration_s, 1)),)
    return SymptomMeasurement(values, spans, level, evidence_of(MEASURES, values))


def _loud_and_calm(track: FloatArray) -> tuple[Mask, Mask]:
    """Which instants belong to the loudest fifth and to the calmest two fifths of a level track."""
    return track >= np.percentile(track, 80.0), track <= np.percentile(track, 40.0)


def _between(scene: Scene, rise: FloatArray, low_hz: float, high_hz: float) -> float:
    """Mean rise of the bands between two frequencies."""
    inside = (scene.level_hz >= low_hz) & (scene.level_hz <= high_hz)
    return float(rise[inside].mean()) if inside.any() else float("nan")


def _flatness_db(scene: Scene, loud: Mask, calm: Mask) -> float:
    """Flatness of the added power line by line, 0.5 to 5 kHz: near 0 dB for noise, far below for tones."""
    inside = (scene.tone_hz > 500.0) & (scene.tone_hz < 5000.0)
    if inside.sum() < 20 or len(scene.tone_time_s) < 10:
        return float("nan")
    is_loud = np.interp(scene.tone_time_s, scene.time_s, loud.astype(float)) > 0.5
    is_calm = np.interp(scene.tone_time_s, scene.time_s, calm.astype(float)) > 0.5
    if is_loud.sum() < 3 or is_calm.sum() < 3:
        return float("nan")
    tone = scene.tone[:, inside]
    ratio = tone[is_loud].mean(axis=0) / np.maximum(tone[is_calm].mean(axis=0), TINY)
    return float(decibels(ratio).mean() - decibels(float(ratio.mean())))


def _beats(scene: Scene, angle: AngleView, track: FloatArray) -> dict[str, float]:
    """The ratio of a pump's turns at which the noise beats furthest, by its loud stretches above all."""
    low, high = np.percentile(track, 30.0), np.percentile(track, 92.0)
    loud = np.clip((track - low) / max(float(high - low), 1.0), 0.0, 1.0)
    loud = np.interp(angle.beat_time_s, scene.time_s, loud)
    deep = scene.beat_hz < BEATS_BELOW_HZ
    off_stated = off_stated_turns(RATIOS, scene.vehicle)
    found, above = (turn_beats(angle.beat[:, bands], loud, off_stated) for bands in (deep, ~deep))
    values: dict[str, float] = {}
    if found is not None:
        values |= {
            "groan_beat_db": found.height_db,
            "groan_beat_ratio": found.ratio,
            "groan_beat_gap_db": found.gap_db,
            "groan_vane_beat_db": found.vane_db,
        }
    if above is not None:
        values |= {"groan_high_beat_db": above.height_db, "groan_high_gap_db": above.gap_db}
    return values


def _roughness(scene: Scene, angle: AngleView, loud: Mask, calm: Mask) -> dict[str, float]:
    """Swing of the envelopes at 5 to 50 ms without the engine's cycle: loud stretches, growth, kurtosis."""
    rest = engine_free_beats(angle)[:, (scene.beat_hz > 400.0) & (scene.beat_hz < 8000.0)]
    if rest.shape[1] == 0:
        return {}
    is_loud = np.interp(angle.beat_time_s, scene.time_s, loud.astype(float)) > 0.5
    is_calm = np.interp(angle.beat_time_s, scene.time_s, calm.astype(float)) > 0.5
    if is_loud.sum() < 50 or is_calm.sum() < 50:
        return {}
    swing_loud, swing_calm = rest[is_loud].std(axis=0), rest[is_calm].std(axis=0)
    together = rest.mean(axis=1)
    loud_alike, calm_alike = _alikeness(rest[is_loud]), _alikeness(rest[is_calm])
    centred = together[is_loud] - together[is_loud].mean()
    kurtosis = float((centred**4).mean() / max(float((centred**2).mean()) ** 2, TINY))
    return {
        "groan_roughness": loud_alike,
        "groan_roughness_calm": calm_alike,
        "groan_roughness_growth": float(doublings(swing_loud / np.maximum(swing_calm, 1e-9)).mean()),
        "groan_roughness_kurtosis": min(kurtosis, 30.0),
    }


def _alikeness(rest: FloatArray) -> float:
    """Mean correlation between the bands: 0 where each swings on its own, as plain noise does."""
    bands = rest.shape[1]
    if bands < 2:
        return float("nan")
    swing = rest / np.maximum(rest.std(axis=0), 1e-9)
    return float((swing.mean(axis=1).var() * bands**2 - bands) / (bands * (bands - 1)))


def _floor_rise_db(angle: AngleView) -> float:
    """Rise of the sound between the engine's lines, orders 5 to 40, from calm to loud, dB."""
    between = (
        (angle.map_order > 5.0) & (angle.map_order < 40.0) & (half_order_distance(angle.map_order) > 0.16)
    )
    floor = smooth(decibels(angle.map_power[:, between]).mean(axis=1), 3)
    over = floor - angle.comb_db
    return percentile(over, 90.0) - percentile(over, 33.0)


def _swing(scene: Scene, loud: Mask, calm: Mask) -> dict[str, float]:
    """Common swing of the bands' levels at 0.1 to 0.6 s, growth from calm to loud, likeness of the bands."""
    inside = (scene.level_hz > 300.0) & (scene.level_hz < 8000.0)
    if inside.sum() < 3:
        return {}
    level = decibels(scene.level[:, inside])
    swing = level - smooth(level, 13)
    together = swing.mean(axis=1)
    return {
        "groan_swing_db": float(together[loud].std()),
        "groan_swing_growth": float(doublings(together[loud].std() / max(float(together[calm].std()), 1e-6))),
        "groan_swing_alikeness": _alikeness(swing[loud]),
    }
