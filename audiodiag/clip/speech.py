"""Whether someone talks over the engine: syllables of a voice whose pitch moves."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.spans import spans_of
from audiodiag.clip.spectra import Spectra
from audiodiag.records import FloatArray, Note

__all__ = ["speech_note"]

_PITCH_HZ = np.geomspace(80.0, 320.0, 57)
_VOICED = 0.20
_PITCH_SPREAD = 0.06
_PAUSE = 0.25  # decades above the steady sound that are left in the pause beside a syllable
_DEEP_HZ, _DEEP_SHARE = 1000.0, 0.24
_FEWEST_RUNS = 5
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


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(start), int(end)) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _turns(pitches: list[float]) -> int:
    """How often the pitch (logarithms, in order of time) turns from up to down or back, by 3 % or more."""
    steps = np.diff(pitches)
    steps = np.sign(steps[np.abs(steps) > 0.03])
    return int(np.count_nonzero(np.diff(steps)))


def speech_note(spectra: Spectra) -> Note | None:
    """Say that speech lies over the engine, and when.

    A frame is voiced where what stands above the steady sound forms harmonics of one pitch between 80 and
    320 Hz. Voice is claimed for runs of 80 to 700 ms that swell and fade, whose pitch goes up and down from
    run to run, at least five of them within two seconds to either side: an engine that is revved glides up
    once and down once, and a chirping belt has no such harmonics. A voice is deep as well: below 1 kHz lies
    0.31 and more of what stands out in its runs; of a squealing belt, whose overtones are as far apart as a
    multiple of some pitch, 0.07 to 0.16 in the two demo clips that have such runs (simulated).
    """
    from scipy import ndimage

    above, frequency_hz = _above_background(spectra)
    comb = np.cos(2.0 * np.pi * frequency_hz[:, None] / _PITCH_HZ[None, :]).astype(np.float32)
    total = above.sum(axis=1)
    strength = (above @ comb) / (total[:, None] + 0.06 * above.shape[1])
    strength = ndimage.uniform_filter1d(strength, 3, axis=0)
    swell = ndimage.uniform_filter1d(total / above.shape[1], 3)
    deep = above[:, frequency_hz < _DEEP_HZ].sum(axis=1)
    best = np.argmax(strength, axis=1)
    voiced = strength[np.arange(best.size), best] > _VOICED
    smooth = np.abs(np.diff(best, prepend=best[:1])) <= 3  # the pitch goes on from frame to frame, within 7 %
    reach = round(0.25 / spectra.low_hop_s)
    found: list[tuple[int, int, float]] = []
    for start, end in _runs(voiced & (smooth | np.roll(smooth, -1))):
        if not 0.075 <= (end - start) * spectra.low_hop_s <= 0.7:
            continue
        if deep[start:end].sum() < _DEEP_SHARE * total[start:end].sum():
            continue
        faint = float(swell[max(0, start - reach) : end + reach].min())
        if faint < _PAUSE and swell[start:end].max() > 1.3 * faint + 0.01:
            found.append((start, end, float(np.median(np.log(_PITCH_HZ[best[start:end]])))))
    near = np.zeros(best.size, dtype=bool)
    for start, end, _ in found:
        others = [run[2] for run in found if abs(run[0] - start) * spectra.low_hop_s <= _NEAR_S]
        if len(others) >= _FEWEST_RUNS and np.std(others) > _PITCH_SPREAD and _turns(others) >= 2:
            near[start:end] = True
    spans = spans_of(near, spectra.low_hop_s, join_s=1.0, widen_s=0.1)
    if not spans:
        return None
    return Note(
        "speech",
        "Someone speaks over the engine. A voice covers the pump and the belt and may be taken for them, so "
        "less can be said about these stretches. Record half a minute in which nobody talks and the radio is "
        "off.",
        spans,
    )
