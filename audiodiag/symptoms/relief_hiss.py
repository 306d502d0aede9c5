"""Relief hiss: are there plateaus of steady broadband noise, high up, with sharp edges and no beat?

Held at a stop, the relief valve hisses from some 1.5 to 11 kHz. What marks it: a level step up and later a
step down, quiet steadiness between, an even rise over the bands, nothing at the lows. Wind and rain do not
step; groan is rough and lies lower; a squeal is a tone.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import TRACK_HOP_S
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
        "A plateau of hiss from 1.5 to 11 kHz stands {value:.1f} dB above the rest of the clip.",
        label="Rise of the hiss",
    ),
    Measure(
        "hiss_low_rise_db",
        "dB",
        "Below the hiss, from 100 to 800 Hz, the sound rises by {value:.1f} dB.",
        label="Rise below the hiss",
    ),
    Measure(
        "hiss_tilt_db",
        "dB per octave",
        "From one octave to the next higher one the rise of the hiss changes by {value:.1f} dB.",
        label="Tilt of the hiss from 1.5 to 11 kHz",
    ),
    Measure(
        "hiss_unevenness_db",
        "dB",
        "The bands of the hiss rise unevenly, by {value:.1f} dB around their mean.",
        label="Unevenness of the hiss",
    ),
    Measure(
        "hiss_flatness_db",
        "dB",
        "The sound that a plateau of hiss adds is flat by {value:.1f} dB (0: noise, far below: tones).",
        label="Flatness of the hiss",
    ),
    Measure(
        "hiss_unsteadiness_db",
        "dB",
        "On a plateau of hiss the level wavers by {value:.1f} dB.",
        label="Unsteadiness of the hiss",
    ),
    Measure(
        "hiss_edge_db",
        "dB",
        "A plateau of hiss starts and ends with steps of {value:.1f} dB.",
        label="Edges of the hiss",
    ),
    Measure(
        "hiss_plateau_s",
        "s",
        "The longest plateau of hiss lasts {value:.1f} s.",
        label="Longest stretch of hiss",
    ),
    Measure(
        "hiss_total_share",
        "1",
        "Plateaus of hiss take up {value:.0%} of the clip.",
        label="Share of time with a hiss",
    ),
    Measure(
        "hiss_beat_change",
        "1",
        "On a plateau of hiss the beats of the noise double {value:.1f} times (below 0: they are covered).",
        label="Change of the beat under the hiss",
    ),
    Measure(
        "hiss_dip_correlation",
        "1",
        "The hiss goes with the dips of the engine speed by {value:.2f} (1: wholly, 0: not at all).",
        label="Hiss going with the dips of the speed",
    ),
    Measure(
        "hiss_share_db",
        "dB",
        "The hiss carries {value:.1f} dB relative to the engine bay.",
        label="Level of the hiss",
    ),
)


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
    values = filled(MEASURES, values)
    return SymptomMeasurement(
        values, spans_of(on, TRACK_HOP_S, 0.2, 0.15), level, evidence_of(MEASURES, values)
    )


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
