"""What the true level of a planted symptom is: its power where it sounds, against the engine in the same
bands.

The simulator plants a symptom at a level relative to the whole engine, most of which are lines below 200 Hz
that no ruler at 3 kHz can see and that resonances move when the speed does. The true level here is the one
that can be observed: the symptom's power at the microphone, summed over third octaves after the engine in the
octave around each has been made alike in all recordings of the pair. Pump sounds count under load, the others
while they sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.simulation import SimulatedClip

__all__ = ["BANDS_HZ", "band_powers", "moves_db", "true_bands"]

BANDS_HZ: FloatArray = 100.0 * 2.0 ** ((np.arange(21) + 0.5) / 3.0)
UNDER_LOAD = ("pump_whine", "cavitation_groan")
WINDOW = 4096


def band_powers(samples: FloatArray, rate: int, spans: Sequence[Sequence[float]] | None = None) -> FloatArray:
    """Mean power in third octaves, shape (bands,), over the spans (or all)."""
    parts = [samples[int(a * rate) : int(b * rate)] for a, b in spans] if spans else [samples]
    joined = np.concatenate(parts)
    if len(joined) < 2 * WINDOW:
        joined = np.pad(joined, (0, 2 * WINDOW - len(joined)))
    frames = np.lib.stride_tricks.sliding_window_view(joined, WINDOW)[:: WINDOW // 2] * np.hanning(WINDOW)
    power = (np.abs(np.fft.rfft(frames, axis=1)) ** 2).mean(axis=0)
    hz = np.arange(len(power)) * rate / WINDOW
    edges = [(b * 2.0 ** (-1 / 6), b * 2.0 ** (1 / 6)) for b in BANDS_HZ]
    return np.array([power[(hz >= low) & (hz < high)].sum() for low, high in edges]) + 1e-30


def true_bands(symptom: str, made: SimulatedClip) -> tuple[FloatArray | None, FloatArray]:
    """Powers at the microphone by third octaves, shape (bands,): the symptom's (None without it), the
    engine's, the latter smoothed over an octave."""
    assert made.parts is not None
    rate = int(made.truth["parts_rate_hz"])
    engine = np.convolve(np.pad(band_powers(made.parts["engine"], rate), 1, mode="edge"), [0.25, 0.5, 0.25])
    part = made.parts.get(symptom)
    return None if part is None else band_powers(part, rate, _sounding(symptom, made.truth)), engine[2:-2]


def _sounding(symptom: str, truth: dict[str, Any]) -> list[list[float]]:
    if symptom in UNDER_LOAD:
        return [[a, b] for name, a, b in truth["steering"] if name != "centre"]
    if symptom == "bearing_growl":
        return [[0.0, float(truth["duration_s"])]]
    return [list(span) for span in truth["spans_s"][symptom]]


def moves_db(
    symptom: str, sides: Sequence[Sequence[SimulatedClip]], change_db: float
) -> tuple[list[float], list[float]]:
    """By how many dB to move the symptom in each recording so that both sides differ by exactly the change.

    The mean move of the recordings before is none.
    """
    bands = [[true_bands(symptom, made) for made in side] for side in sides]
    alike = np.exp(np.mean([np.log(engine) for side in bands for _, engine in side], axis=0))
    levels = [
        [0.0 if power is None else float(10.0 * np.log10((power * alike / engine).sum()))
         for power, engine in side]
        for side in bands
    ]  # fmt: skip
    want = float(np.mean(levels[0]))
    after = want + (change_db if np.isfinite(change_db) else 0.0)
    gone = not np.isfinite(change_db)
    return [want - level for level in levels[0]], [0.0 if gone else after - level for level in levels[1]]
