"""Whether someone talks over the engine: syllables of a voice whose pitch moves."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.spans import spans_of
from audiodiag.clip.spectra import Spectra
from audiodiag.records import FloatArray, Note

__all__ = ["speech_note"]

_PITCH_HZ = np.geomspace(80.0, 320.0, 57)
_VOICED = 0.30
_FEWEST_SEGMENTS = 4
_NEAR_S = 2.0


def _above_background(spectra: Spectra) -> tuple[FloatArray, FloatArray]:
    """Decades by which each line stands above its own steady part within 4 s (0 to 2.5), 100 to 3400 Hz."""
    inside = (spectra.low_frequency_hz >= 100.0) & (spectra.low_frequency_hz <= 3400.0)
    power = spectra.low_power[:, inside]
    chunk = max(8, round(4.0 / spectra.low_hop_s))
    out = np.empty_like(power)
    for first in range(0, power.shape[0], chunk):
        near = power[max(0, min(first, power.shape[0] - chunk)) : first + chunk]
        steady = np.partition(near[::2], near[::2].shape[0] * 3 // 10, axis=0)[near[::2].shape[0] * 3 // 10]
        out[first : first + chunk] = power[first : first + chunk] / (2.2 * steady + 1e-14)
    return np.clip(np.log10(out + 1e-6), 0.0, 2.5), spectra.low_frequency_hz[inside]


def speech_note(spectra: Spectra) -> Note | None:
    """Say that speech lies over the engine, and when.

    A frame is voiced where what stands above the steady sound forms harmonics of one pitch between 80 and
    320 Hz. Voice is claimed for runs of 70 to 700 ms whose pitch glides and differs from run to run, at least
    four of them, for an engine that is revved glides in one long run and a chirping belt has no harmonics.
    """
    above, frequency_hz = _above_background(spectra)
    comb = np.cos(2.0 * np.pi * frequency_hz[:, None] / _PITCH_HZ[None, :]).astype(np.float32)
    total = above.sum(axis=1)
    strength = (above @ comb) / (total[:, None] + 0.06 * above.shape[1])
    best = np.argmax(strength, axis=1)
    voiced = strength[np.arange(best.size), best] > _VOICED
    # the pitch has to go on from frame to frame (within 9 %)
    smooth = np.abs(np.diff(best, prepend=best[:1])) <= 3
    flags = voiced & (smooth | np.roll(smooth, -1))
    segments: list[tuple[float, float, float, float]] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        length_s = (end - start) * spectra.low_hop_s
        if not 0.07 <= length_s <= 0.7:
            continue
        pitch = np.log(_PITCH_HZ[best[start:end]])
        segments.append(
            (
                start * spectra.low_hop_s,
                end * spectra.low_hop_s,
                float(np.median(pitch)),
                float(np.ptp(pitch)),
            )
        )
    if len(segments) < _FEWEST_SEGMENTS:
        return None
    near = np.zeros(best.size, dtype=bool)
    for start_s, end_s, _, _ in segments:
        others = [s for s in segments if abs(s[0] - start_s) <= _NEAR_S]
        varied = np.ptp([s[2] for s in others]) > 0.08 and np.median([s[3] for s in others]) > 0.02
        if len(others) >= _FEWEST_SEGMENTS and varied:
            near[round(start_s / spectra.low_hop_s) : round(end_s / spectra.low_hop_s)] = True
    spans = spans_of(near, spectra.low_hop_s, join_s=1.0, widen_s=0.1)
    if not spans:
        return None
    return Note(
        "speech",
        "Someone speaks over the engine. A voice covers the pump and the belt and may be taken for them, so "
        "less can be said about these stretches. Record half a minute in which nobody talks and the radio is off.",
        spans,
    )
