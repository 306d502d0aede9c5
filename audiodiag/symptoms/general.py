"""Does this sound like an engine bay at all?

Few plain numbers about the whole clip: how strong the engine's comb is, how the noise falls with frequency,
how much the spectrum moves, and whether the level beats like speech.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import engine_comb_db
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, filled
from audiodiag.symptoms.ridges import prominence_db
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import TINY, decibels, doublings, half_order_distance, percentile, smooth

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "engine_comb_db",
        "dB",
        "The engine's own tones stand {value:.1f} dB above the sound between them.",
        label="Height of the engine's tones",
    ),
    Measure(
        "engine_comb_share",
        "1",
        "{value:.0%} of the low sound lies in the engine's own tones.",
        label="Share of the engine's tones",
    ),
    Measure(
        "engine_beat_db",
        "dB",
        "The noise beats with the engine's turns, {value:.1f} dB above what lies between.",
        label="Beat of the engine in the noise",
    ),
    Measure(
        "speed_confidence",
        "1",
        "The engine speed is right with a probability of {value:.0%}.",
        label="Confidence in the engine speed",
    ),
    Measure(
        "speed_known_share",
        "1",
        "The engine speed is known for {value:.0%} of the clip.",
        label="Share of time with a known speed",
    ),
    Measure(
        "speed_unsteadiness_percent",
        "%",
        "The engine speed varies by {value:.1f} %.",
        label="Unsteadiness of the speed",
    ),
    Measure(
        "noise_slope_db_per_octave",
        "dB per octave",
        "From one octave to the next higher one the sound changes by {value:.1f} dB, from 150 Hz up to 8 "
        "kHz at most.",
        label="Slope of the sound from 150 Hz to at most 8 kHz",
    ),
    Measure(
        "level_range_db",
        "dB",
        "The level of the whole clip moves over {value:.1f} dB.",
        label="Range of levels",
    ),
    Measure(
        "spectral_flux_db",
        "dB",
        "From one moment to the next each band changes by {value:.1f} dB.",
        label="Change in the spectrum",
    ),
    Measure(
        "syllable_depth",
        "1",
        "The level moves at the pace of syllables by {value:.2f}; speech has more, an engine less.",
        label="Swing at the pace of syllables",
    ),
    Measure(
        "tonal_share",
        "1",
        "{value:.0%} of the lines from 200 up to 5000 Hz at most stand out as tones.",
        label="Share of tones",
    ),
    Measure(
        "band_top_hz",
        "Hz",
        "The recording holds sound up to {value:.0f} Hz.",
        label="Upper edge of the recording",
    ),
    Measure(
        "crest",
        "1",
        "From the usual to the loudest instants of the bands the power doubles {value:.1f} times.",
        label="Peaks, in doublings of power",
    ),
)


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure the clip as a whole."""
    if not scene.usable or scene.level.shape[1] < 3 or len(scene.time_s) < 20:
        return SymptomMeasurement(filled(MEASURES, {}))
    level = decibels(scene.level)
    inside = (scene.level_hz > 150.0) & (scene.level_hz < 8000.0)
    usual = np.median(level, axis=0)
    track = level[:, inside].mean(axis=1)
    values = {
        "speed_confidence": scene.speed_confidence,
        "speed_known_share": float(np.isfinite(scene.rpm).mean()),
        "noise_slope_db_per_octave": float(np.polyfit(np.log2(scene.level_hz[inside]), usual[inside], 1)[0])
        if inside.sum() > 2
        else np.nan,
        "level_range_db": percentile(track, 95.0) - percentile(track, 5.0),
        "spectral_flux_db": float(np.abs(np.diff(level[::2], axis=0)).mean()),
        "syllable_depth": _syllable_depth(scene),
        "tonal_share": _tonal_share(scene),
        "band_top_hz": scene.band_hz[1],
        "crest": float(
            doublings(np.percentile(scene.envelope, 99.5) / max(float(np.median(scene.envelope)), TINY))
        )
        if scene.envelope.size
        else np.nan,
    }
    if scene.angle is not None:
        comb = engine_comb_db(scene.angle, 16.0)
        values["engine_comb_db"] = percentile(comb, 60.0)
        low = scene.angle.order < 16.0
        near = half_order_distance(scene.angle.order) < 0.06
        power = scene.angle.order_power
        values["engine_comb_share"] = float(power[low & near].sum() / max(float(power[low].sum()), TINY))
        beats = scene.angle.long.order
        on = (beats > 0.4) & (beats < 8.1) & (half_order_distance(beats) < 0.03)
        off = (beats > 0.4) & (beats < 8.1) & (half_order_distance(beats) > 0.1)
        if scene.beat_hz.size:
            between = np.median(scene.angle.long.beat_power[off], axis=0)
            values["engine_beat_db"] = float(
                (decibels(scene.angle.long.beat_power[on].mean(axis=0)) - decibels(between)).mean()
            )
        rpm = scene.rpm[np.isfinite(scene.rpm)]
        values["speed_unsteadiness_percent"] = float(100.0 * rpm.std() / rpm.mean())
    return SymptomMeasurement(filled(MEASURES, values))


def _syllable_depth(scene: Scene) -> float:
    """Share of the level's movement, 300 to 4000 Hz, that lies in 2 to 8 Hz, times its size in dB / 10."""
    track: FloatArray = scene.band_db(300.0, 4000.0)
    if not np.isfinite(track).all() or len(track) < 40:
        return float("nan")
    track = track - smooth(track, 40)
    power = np.abs(scipy.fft.rfft(track * np.hanning(len(track)))) ** 2
    frequency = scipy.fft.rfftfreq(len(track), 0.05)
    syllables = float(power[(frequency > 2.0) & (frequency < 8.0)].sum())
    return float(track.std()) / 10.0 * syllables / max(float(power.sum()), TINY)


def _tonal_share(scene: Scene) -> float:
    """Share of the lines between 200 and 5000 Hz that stand out as tones."""
    inside = (scene.tone_hz > 200.0) & (scene.tone_hz < 5000.0)
    if len(scene.tone) < 2:
        return float("nan")
    return float((prominence_db(scene)[:, inside] > 9.0).mean())
