"""Which instants of one recording are loaded or calm, and how does the phone's gain move?

All powers are relative to the whole recording, with the phone's moving gain taken out. The engine is parted
from yard, wind and phone by what keeps its time at half orders. `references` measures it, `sounds` parts the
symptoms from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, Phases
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import TINY, smooth

__all__ = [
    "BANDS_HZ",
    "BEATS_HZ",
    "Mask",
    "Masks",
    "Strengths",
    "belonging",
    "gain_db",
]
__all__ += ["masks_of", "per_hz", "segment_mean", "taken_out"]

Mask = NDArray[np.bool_]

BANDS_HZ: FloatArray = 62.5 * 2.0 ** ((np.arange(24) + 0.5) / 3.0)
"""Middles of the third-octave bands, Hz."""
_EDGES_HZ = np.array([300.0, 700.0, 1200.0, 2000.0, 3000.0, 4200.0, 5800.0, 8000.0, 11000.0, 15000.0])
BEATS_HZ: FloatArray = np.sqrt(_EDGES_HZ[:-1] * _EDGES_HZ[1:])
"""Middles of the bands whose envelopes beat, Hz."""
EDGE_S = 0.15
FEWEST_HELD = 8
SEGMENT_S = 0.5
LOUD_SHARE, CALM_SHARE = 75.0, 40.0
LOWEST_LEVEL_HZ, SMOOTH_LEVEL, LEAST_PERCENT, SWELL_DB = 90.0, 9, 15.0, 1.0
"""Bands that show the gain, over how many instants they are smoothed, the share of them that rise least, and
the rise beyond which even these are held for the symptom's (chosen on simulated pairs)."""
LEAST_SHARE = 0.05
"""Share of the louder side's power that a place or one beside it must hold to count (chosen on simulated
pairs)."""


@dataclass(frozen=True, eq=False)
class Strengths:
    """Powers at places along frequency, with their standard errors.

    hz: shape (k,), where. power: shape (k,), relative to the recording's; it may be negative by chance, NaN
    where the recording does not carry the place. error: shape (k,), from segments of the recording.
    """

    hz: FloatArray
    power: FloatArray
    error: FloatArray


@dataclass(frozen=True, eq=False)
class Masks:
    """Which instants of a scene, shape (t,), are loaded by the steering, held at a stop, and calm."""

    loud: Mask
    stop: Mask
    calm: Mask
    stated: bool


def masks_of(scene: Scene, phases: Phases, within: Mask, gain: FloatArray) -> Masks:
    """Give loaded, held and calm instants; ``within``: shape (t,), the instants that may count at all;
    ``gain``: from
    :func:`gain_db`.

    Where nobody stated the phases, the louder quarter and the calmer two fifths of the noise stand in.
    """
    count = len(scene.time_s)
    loud, stop, calm = np.zeros(count, bool), np.zeros(count, bool), np.zeros(count, bool)
    stated = phases.source in ("marked", "tabled")
    if stated:
        for span in phases.spans:
            inside = (scene.time_s >= span.start_s + EDGE_S) & (scene.time_s < span.end_s - EDGE_S / 2)
            (calm if span.phase == "centre" else loud)[inside] = True
            if span.phase == "stop":
                stop[inside] = True
        stated = bool((loud & within).sum() >= 10 and (calm & within).sum() >= 10)
        if stated and stop.sum() >= FEWEST_HELD > (stop & within).sum():
            within = np.ones(count, bool)  # the engine slows at the stops; they count even so
    if not stated and within.any():
        track = smooth(scene.band_db(400.0, 9000.0), 7) - gain
        track = np.where(np.isfinite(track), track, 0.0)
        loud = track >= np.percentile(track[within], LOUD_SHARE)
        calm = track <= np.percentile(track[within], CALM_SHARE)
        stop = loud
    return Masks(loud & within, stop & within, calm & within, stated)


def gain_db(scene: Scene) -> FloatArray:
    """Level of the engine over time, dB, less its median, shape (t,): the phone's gain shows in it.

    A symptom only ever adds to a band, and seldom to all; what the bands that rise least do is therefore the
    engine and the gain. Gain control turns down where it grows loud: a rise of all bands beyond ``SWELL_DB``
    is a groan over the whole range. That the engine itself grows louder under the steering's load goes out
    with it. (Following the engine's lines and beats instead errs by up to 6 dB: a loud groan buries them, or
    passes for them.)
    """
    return np.minimum(_least_rise_db(scene), SWELL_DB)


def _least_rise_db(scene: Scene) -> FloatArray:
    """How far the bands that rise least have risen, dB, shape (t,), less its median."""
    inside = scene.level_hz > LOWEST_LEVEL_HZ
    if inside.sum() < 4 or len(scene.time_s) < 20:
        return np.zeros(len(scene.time_s))
    level = 10.0 * np.log10(np.maximum(smooth(scene.level[:, inside], SMOOTH_LEVEL), TINY))
    least = np.percentile(level - np.percentile(level, 30.0, axis=0), LEAST_PERCENT, axis=1)
    return np.asarray(least - np.median(least))


def belonging(powers: FloatArray) -> Mask:
    """Which places belong to a symptom, shape (places,), by its powers on both sides, shape (2, places).

    What sounds on the softer side only, away from all that the louder side holds, is something else of the
    same kind; a tone that hops comes out beside its place at most.

    >>> belonging(np.array([[0.0, 1.0, 9.0, 0.0, 0.0, 0.1], [0.5, 0.1, 1.0, 0.0, 0.0, 3.0]])).tolist()
    [True, True, True, True, False, False]
    """
    loud = powers[int(powers[1].sum() > powers[0].sum())]
    near = np.maximum(loud, np.maximum(np.append(loud[1:], 0.0), np.append(0.0, loud[:-1])))
    return np.asarray(near >= LEAST_SHARE * loud.sum())


def per_hz(scene: Scene) -> float:
    """What turns the density of a band into its power, times its middle in Hz: a third octave's width."""
    return 0.23 * 2.0 / scene.sample_rate_hz


def taken_out(gain: FloatArray, scene: Scene, time_s: FloatArray) -> FloatArray:
    """What takes the gain out of powers at other times."""
    return 10.0 ** (-0.1 * np.interp(time_s, scene.time_s, gain))


def segment_mean(values: FloatArray, chosen: Mask) -> tuple[FloatArray, FloatArray]:
    """Mean over the chosen instants and its standard error from half seconds, shapes (bands,)."""
    places = np.flatnonzero(chosen)
    if len(places) < 4:
        nothing = np.full(values.shape[1], np.nan)
        return nothing, nothing
    size = max(int(SEGMENT_S / 0.05), 1)
    groups = np.array_split(places, max(len(places) // size, 2))
    means = np.array([values[g].mean(axis=0) for g in groups])
    return values[places].mean(axis=0), means.std(axis=0, ddof=1) / np.sqrt(len(groups))
