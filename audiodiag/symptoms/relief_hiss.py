"""Relief hiss: are there plateaus of steady broadband noise, high up, with sharp edges and no beat?

Held at a stop, the relief valve hisses from some 1.5 to 11 kHz. What marks it: a level step up and later a
step down, quiet steadiness between, an even rise over the bands, nothing at the lows. Wind and rain do not
step; groan is rough and lies lower; a squeal is a tone.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import TRACK_HOP_S
from audiodiag.symptoms.band_steps import BandSteps, find_steps, searchable
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import (
    TINY,
    Mask,
    bridge,
    correlation,
    decibels,
    doublings,
    percentile,
    smooth,
    spans_of,
)

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "hiss_rise_db",
        "dB",
        "A stretch that may be a hiss stands {value:.1f} dB above the rest of the clip, from 1.5 kHz up to "
        "11 kHz at most.",
        label="Rise of the hiss",
    ),
    Measure(
        "hiss_low_rise_db",
        "dB",
        "Below what may be a hiss, from 100 to 800 Hz, the sound rises by {value:.1f} dB.",
        label="Rise below the hiss",
    ),
    Measure(
        "hiss_tilt_db",
        "dB per octave",
        "From one octave to the next higher one the rise of what may be a hiss changes by {value:.1f} dB.",
        label="Tilt of the hiss from 1.5 to at most 11 kHz",
    ),
    Measure(
        "hiss_unevenness_db",
        "dB",
        "The bands of what may be a hiss rise unevenly, by {value:.1f} dB around their mean.",
        label="Unevenness of the hiss",
    ),
    Measure(
        "hiss_flatness_db",
        "dB",
        "The sound that comes in with what may be a hiss has a flatness of {value:.1f} dB (0: like noise, "
        "far below: like tones).",
        label="Flatness of the hiss",
    ),
    Measure(
        "hiss_unsteadiness_db",
        "dB",
        "In a stretch that may be a hiss the level wavers by {value:.1f} dB.",
        label="Unsteadiness of the hiss",
    ),
    Measure(
        "hiss_edge_db",
        "dB",
        "A stretch that may be a hiss starts and ends with steps of {value:.1f} dB.",
        label="Edges of the hiss",
    ),
    Measure(
        "hiss_plateau_s",
        "s",
        "The longest stretch that may be a hiss lasts {value:.1f} s.",
        label="Longest stretch of hiss",
    ),
    Measure(
        "hiss_total_share",
        "1",
        "Stretches that may be a hiss take up {value:.0%} of the clip.",
        label="Share of time with a hiss",
    ),
    Measure(
        "hiss_beat_change",
        "1",
        "In a stretch that may be a hiss the beats of the noise change by {value:.1f} doublings (below 0: "
        "they are covered).",
        label="Change of the beat under the hiss",
    ),
    Measure(
        "hiss_dip_correlation",
        "1",
        "What may be a hiss goes with the dips of the engine speed by {value:.2f} (1: wholly, 0: not at "
        "all, below 0: the other way).",
        label="Hiss going with the dips of the speed",
    ),
    Measure(
        "hiss_share_db",
        "dB",
        "What comes nearest to a hiss lies at {value:.1f} dB against the whole engine bay.",
        label="Level of the hiss",
    ),
    Measure(
        "hiss_band_step_db",
        "dB",
        "In the band where it stands out most, a stretch of noise steps up and down again by {value:.1f} dB.",
        label="Step of one band",
    ),
    Measure(
        "hiss_band_worth_db",
        "dB",
        "Of the step of the best stretch of one band, {value:.1f} dB count as long and steady.",
        label="Long steady step of one band",
    ),
    Measure(
        "hiss_band_clear",
        "1",
        "The best stretch of one band steps by {value:.1f} times what the band usually goes up and down.",
        label="Step of one band over its usual ups and downs",
    ),
    Measure(
        "hiss_band_low_db",
        "dB",
        "During the best stretch of one band the lows, from 100 to 800 Hz, rise by {value:.1f} dB.",
        label="Rise of the lows during the step",
    ),
    Measure(
        "hiss_band_unsteadiness_db",
        "dB",
        "Within the best stretch of one band its level wavers by {value:.1f} dB.",
        label="Unsteadiness of one band's step",
    ),
    Measure(
        "hiss_band_noise_db",
        "dB",
        "Between the tones, the noise of the band that steps rises by {value:.1f} dB.",
        label="Rise of one band's noise between tones",
    ),
    Measure(
        "hiss_band_centre",
        "1",
        "The middle of the band that steps lies {value:.1f} octaves above 1 kHz.",
        label="Place of the band that steps",
    ),
    Measure(
        "hiss_band_dip_percent",
        "%",
        "During the stretches of one band the engine turns {value:.1f} % slower than beside them (below 0: "
        "faster).",
        label="Dip of the speed during the step",
    ),
)

TIMED_FROM_DB = 1.5
"""Worth of the steps of one band from which they say when the hiss sounds."""
NOISE_SHARE = 0.3
"""Quantile over time of each line's power: what is there most of the time, without strikes."""


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure what speaks for relief hiss; needs no speed."""
    if not scene.usable or scene.band_hz[1] < 3000.0 or len(scene.time_s) < 30:
        return SymptomMeasurement(filled(MEASURES, {}))
    track = smooth(scene.band_db(1500.0, 11000.0), 3)
    if not np.isfinite(track).all():
        return SymptomMeasurement(filled(MEASURES, {}))
    edge = _edges_db(track)
    plateau = _best_plateau(track)
    on: Mask = track >= np.percentile(track, 85.0) if plateau is None else plateau
    rest = track < np.percentile(track[~on], 70.0) if (~on).any() else ~on
    rest &= ~on
    if not rest.any():
        return SymptomMeasurement(filled(MEASURES, {}))
    rise = decibels(scene.level[on]).mean(axis=0) - decibels(scene.level[rest]).mean(axis=0)
    upper = (scene.level_hz > 1500.0) & (scene.level_hz < 11000.0)
    lower = (scene.level_hz > 100.0) & (scene.level_hz < 800.0)
    steps = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    lengths = (steps[1::2] - steps[::2]) * TRACK_HOP_S
    starts, ends = steps[::2], steps[1::2]
    inner = [track[a + 2 : b - 2] for a, b in zip(starts, ends, strict=True) if b - a >= 7]
    power = scene.power_between(1500.0, 11000.0)
    extra = max(float(power[on].mean() - power[rest].mean()), TINY)
    level = float(decibels(extra / max(scene.engine_power, TINY)))
    slope = np.polyfit(np.log2(scene.level_hz[upper]), rise[upper], 1)[0] if upper.sum() > 2 else np.nan
    values = {
        "hiss_rise_db": float(rise[upper].mean()),
        "hiss_low_rise_db": float(rise[lower].mean()) if lower.any() else np.nan,
        "hiss_tilt_db": float(slope),
        "hiss_unevenness_db": float(rise[upper].std()),
        "hiss_flatness_db": _flatness_db(scene, on, rest),
        "hiss_unsteadiness_db": float(np.median([np.std(i) for i in inner])) if inner else np.nan,
        "hiss_edge_db": edge,
        "hiss_plateau_s": float(lengths.max()) if plateau is not None else 0.0,
        "hiss_total_share": float(on.mean()) if plateau is not None else 0.0,
        "hiss_beat_change": _beat_change(scene, on, rest),
        "hiss_dip_correlation": correlation(track, bridge(scene.dip_percent)),
        "hiss_share_db": level,
    }
    found = find_steps(scene.level_hz, decibels(scene.level))
    values = filled(MEASURES, values | _one_band(scene, found))
    heard, shortest_s = (
        (found.sounding, 0.3) if found is not None and found.worth_db > TIMED_FROM_DB else (on, 0.2)
    )
    return SymptomMeasurement(
        values, spans_of(heard, TRACK_HOP_S, shortest_s, 0.15), level, evidence_of(MEASURES, values)
    )


def _one_band(scene: Scene, steps: BandSteps | None) -> dict[str, float]:
    """What the stretches say that step up and down in one band."""
    if not searchable(scene.level_hz, len(scene.level)):
        return {}
    if steps is None:
        return {"hiss_band_step_db": 0.0, "hiss_band_worth_db": 0.0}
    centre_hz = float(np.sqrt(steps.band_hz[0] * steps.band_hz[1]))
    values = {
        "hiss_band_step_db": steps.step_db,
        "hiss_band_worth_db": steps.worth_db,
        "hiss_band_clear": steps.clear,
        "hiss_band_low_db": steps.low_db,
        "hiss_band_unsteadiness_db": steps.unsteadiness_db,
        "hiss_band_centre": float(np.log2(centre_hz / 1000.0)),
    }
    if not (steps.on.any() and steps.beside.any()):
        return values
    dip = scene.dip_percent
    on_dip, beside_dip = (dip[each & np.isfinite(dip)] for each in (steps.on, steps.beside))
    if len(on_dip) and len(beside_dip):
        values["hiss_band_dip_percent"] = float(on_dip.mean() - beside_dip.mean())
    lines = (scene.tone_hz > steps.band_hz[0]) & (scene.tone_hz < steps.band_hz[1])
    place = np.minimum((scene.tone_time_s / TRACK_HOP_S).astype(int), len(steps.on) - 1)
    is_on, is_beside = steps.on[place], steps.beside[place]
    if is_on.sum() >= 3 and is_beside.sum() >= 3:
        tone = scene.tone[:, lines]
        above, usual = (np.quantile(tone[each], NOISE_SHARE, axis=0) for each in (is_on, is_beside))
        values["hiss_band_noise_db"] = float(np.median(decibels(above) - decibels(usual)))
    return values


def _edges_db(track: FloatArray) -> float:
    """The smaller of the steepest step up and the steepest step down after it, over 0.2 s, dB."""
    width = 4
    total = np.concatenate([[0.0], np.cumsum(track)])
    mean = (total[width:] - total[:-width]) / width
    gap = 3
    step = mean[width + gap :] - mean[: -width - gap]
    if len(step) < 4:
        return 0.0
    rises = np.maximum.accumulate(step)
    falls = np.maximum.accumulate((-step)[::-1])[::-1]
    return float(np.max(np.minimum(rises[:-1], falls[1:])))


def _best_plateau(track: FloatArray) -> Mask | None:
    """Instants within steady stretches of at least 0.3 s above a base level; None if there are none."""
    low, high = percentile(track, 25.0), percentile(track, 98.0)
    best, chosen = 0.0, None
    for part in (0.35, 0.5, 0.65):
        on = track > low + part * (high - low)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
        keep = np.zeros(len(track), bool)
        score = 0.0
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a < 6:
                continue
            inside = track[a + 2 : b - 2] if b - a > 8 else track[a + 1 : b - 1]
            before = track[max(a - 12, 0) : max(a - 2, 1)]
            after = track[b + 2 : b + 12]
            outside = np.concatenate([before, after])
            if not len(outside):
                continue
            height = float(np.median(inside) - np.median(outside))
            steady = height / (1.0 + float(inside.std()))
            if height > 1.5:
                keep[a:b] = True
                score += steady * min((b - a) * TRACK_HOP_S, 4.0)
        if score > best and keep.mean() < 0.8:
            best, chosen = score, keep
    return chosen


def _flatness_db(scene: Scene, on: Mask, rest: Mask) -> float:
    """Flatness of the added power line by line, 1.5 to 9 kHz: near 0 dB for noise, far below for tones."""
    inside = (scene.tone_hz > 1500.0) & (scene.tone_hz < 9000.0)
    is_on = np.interp(scene.tone_time_s, scene.time_s, on.astype(float)) > 0.5
    is_rest = np.interp(scene.tone_time_s, scene.time_s, rest.astype(float)) > 0.5
    if is_on.sum() < 3 or is_rest.sum() < 3 or inside.sum() < 20:
        return float("nan")
    tone = scene.tone[:, inside]
    ratio = tone[is_on].mean(axis=0) / np.maximum(tone[is_rest].mean(axis=0), TINY)
    return float(decibels(ratio).mean() - decibels(float(ratio.mean())))


def _beat_change(scene: Scene, on: Mask, rest: Mask) -> float:
    """Log2 of the envelopes' swing on the plateau over that beside it; below 0 if noise covers beats."""
    columns = (scene.beat_hz > 1500.0) & (scene.beat_hz < 11000.0)
    if not columns.any():
        return float("nan")
    amplitude = np.sqrt(scene.envelope[:, columns])
    slow = smooth(amplitude, int(0.2 * scene.envelope_rate_hz))
    swing: FloatArray = amplitude / np.maximum(slow, 1e-9)
    swing = smooth(swing, int(0.004 * scene.envelope_rate_hz)) - 1.0
    place = np.minimum(
        (np.arange(len(swing)) / scene.envelope_rate_hz / TRACK_HOP_S).astype(int), len(on) - 1
    )
    is_on, is_rest = on[place], rest[place]
    if is_on.sum() < 50 or is_rest.sum() < 50:
        return float("nan")
    return float(doublings(swing[is_on].std(axis=0) / np.maximum(swing[is_rest].std(axis=0), 1e-9)).mean())
