"""How strong is the engine in each band of one recording, for a ruler?

Its calm noise is the ruler where a symptom is silent or can be cut out; where a symptom never rests, the
swing of the noise at half orders is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from audiodiag.comparison.beats import BESIDE_LINES, Beats, engine_orders, swing, widened
from audiodiag.comparison.strengths import (
    BANDS_HZ,
    BEATS_HZ,
    Mask,
    Masks,
    Strengths,
    per_hz,
    segment_mean,
    taken_out,
)
from audiodiag.records import FloatArray, read_only
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import TINY

__all__ = ["STRONG", "between_bursts", "both", "engine_bands", "engine_swing", "maybe_touched", "untouched"]

LOWEST_HZ = 80.0
RESTLESS = 0.05
"""Share of a loud groan that may be left with the wheel at rest (an assumption)."""
LINES_UP_TO_HZ = 600.0
"""Below it the tones of an order are cut out of the order map, above it out of narrow bands."""
CALM_PERCENT = 35.0
BEAT_SURE = 3.0
"""Standard errors of a band's beat from which the engine is surely heard in it."""
UNSURE = 0.35
"""Error, as a share, of a band that does not surely beat (an assumption)."""
OCTAVE = (0.25, 0.5, 0.25)
GAP_PERCENT, GAP_FROM_HZ = 10.0, 1400.0
"""Percentile over the calm instants that stands for the gaps between bursts, and where bursts begin."""
GAP_DEPTHS_DB, GAP_ERRORS = (6.0, 12.0), (0.35, 0.2)
"""How far below the mean of the bursts a gap must lie to show the engine, and with what error, as a share:
shallow gaps may be filled by echo (chosen on simulated pairs)."""
THIRD_OF_BEAT = 0.23 / 0.4
"""Width of a third octave over that of a band of the beats."""
NEAR, STRONG = 0.35, 0.1
"""How near, as a share of frequency, and how strong, against the engine, a symptom spoils a band."""


def engine_bands(
    scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray, *, tone: float | None = None
) -> Strengths:
    """Give the engine's own power along frequency: its calm noise, each band smoothed over an octave.

    ``tone``: an order whose lines do not belong to the engine and are left out. A band that does not clearly
    beat at half orders may be the yard's and not the engine's; its error is larger. The lower third of the
    calm instants stands for the engine, so that bursts and squeals do not.
    """
    places = BANDS_HZ[BANDS_HZ >= LOWEST_HZ]
    power, error = np.full(len(places), np.nan), np.full(len(places), np.nan)
    if masks.calm.sum() < 4:
        return Strengths(places, power, error)
    level = scene.level * taken_out(gain, scene, scene.time_s)[:, None] * scene.level_hz * per_hz(scene)
    base: FloatArray = np.percentile(level[masks.calm], CALM_PERCENT, axis=0)
    _, scatter = segment_mean(level, masks.calm)
    if tone is not None:
        base = _without_tone(scene, masks, gain, tone, base)
    known = np.isfinite(base)
    wide = _over_octaves(base)
    sure = np.zeros(len(base))
    if beats is not None:
        found = _engine_beats(scene, masks, beats, gain)
        clear = found.power / np.maximum(found.error, TINY)
        sure = np.interp(np.log(scene.level_hz), np.log(found.hz), clear, left=2 * BEAT_SURE, right=0.0)
    for i, hz in enumerate(scene.level_hz):
        j = int(np.argmin(np.abs(np.log(places / hz))))
        if abs(np.log(places[j] / hz)) < 0.05 and known[i]:
            power[j] = wide[i]
            error[j] = min(scatter[i] / base[i], 0.3) * wide[i]
            error[j] += 0.0 if sure[i] > BEAT_SURE else UNSURE * wide[i]
    return Strengths(*(read_only(values) for values in (places, power, error)))


def untouched(engine: Strengths, symptom: Strengths, strong: float = STRONG) -> Strengths:
    """Leave out the engine's bands (NaN) in which a symptom that never rests is strong.

    >>> hz = np.array([500.0, 4000.0])
    >>> engine, growl = (Strengths(hz[i:], np.ones(2 - i), np.full(2 - i, 0.1)) for i in (0, 1))
    >>> left = untouched(engine, growl)
    >>> left.power.tolist()
    [1.0, nan]
    """
    power = engine.power.copy()
    loud = np.nan_to_num(symptom.power) - symptom.error > 0.0
    for i, hz in enumerate(engine.hz):
        near = loud & (np.abs(np.log(symptom.hz / hz)) < NEAR)
        if near.any() and float(np.nanmax(symptom.power[near])) > strong * power[i]:
            power[i] = np.nan
    return Strengths(engine.hz, read_only(power), engine.error)


def maybe_touched(engine: Strengths, symptom: Strengths) -> Strengths:
    """Hold the engine's bands for less sure where a symptom is loud that may not fall silent at rest."""
    loud = np.interp(np.log(engine.hz), np.log(symptom.hz), np.nan_to_num(symptom.power), left=0.0, right=0.0)
    return Strengths(engine.hz, engine.power, read_only(engine.error + RESTLESS * np.maximum(loud, 0.0)))


def between_bursts(
    scene: Scene, masks: Masks, gain: FloatArray, engine: Strengths, symptom: Strengths
) -> Strengths:
    """Fill the engine's bands in which bursts are strong (NaN) with what is heard in the gaps between bursts.

    Only where the gaps lie clear below the bursts; echo of the bursts fills shallow ones. ``symptom``: the
    bursts' mean power in the bands of the beats.
    """
    power, error = engine.power.copy(), engine.error.copy()
    if masks.calm.sum() < 4:
        return engine
    level = scene.level * taken_out(gain, scene, scene.time_s)[:, None] * scene.level_hz * per_hz(scene)
    gaps = _over_octaves(np.percentile(level[masks.calm], GAP_PERCENT, axis=0))
    bursts = THIRD_OF_BEAT * np.interp(
        np.log(scene.level_hz), np.log(symptom.hz), np.nan_to_num(symptom.power), left=0.0, right=0.0
    )
    depth = 10.0 * np.log10(np.maximum(bursts, TINY) / np.maximum(gaps, TINY))
    for i, hz in enumerate(scene.level_hz):
        j = int(np.argmin(np.abs(np.log(engine.hz / hz))))
        alike = abs(np.log(engine.hz[j] / hz)) < 0.05
        if alike and hz > GAP_FROM_HZ and np.isnan(power[j]) and depth[i] > GAP_DEPTHS_DB[0]:
            share = GAP_ERRORS[1] if depth[i] > GAP_DEPTHS_DB[1] else GAP_ERRORS[0]
            power[j], error[j] = gaps[i], share * gaps[i]
    return Strengths(engine.hz, read_only(power), read_only(error))


def _over_octaves(power: FloatArray) -> FloatArray:
    """Each band smoothed over an octave; NaN counts for nothing."""
    known = np.isfinite(power)
    wide = np.convolve(np.pad(np.where(known, power, 0.0), 1), OCTAVE)[2:-2]
    return np.asarray(wide / (np.convolve(np.pad(known.astype(float), 1), OCTAVE)[2:-2] + TINY))


def both(one: Strengths, two: Strengths) -> Strengths:
    """Join the bands of two rulers."""
    return Strengths(
        *(
            read_only(np.concatenate([getattr(one, key), getattr(two, key)]))
            for key in ("hz", "power", "error")
        )
    )


def engine_swing(
    scene: Scene, beats: Beats | None, gain: FloatArray, low_hz: float, lines: Mask | None = None
) -> Strengths:
    """How far each band above ``low_hz`` swings at the engine's half orders: the engine heard through noise
    that does not keep its time.

    ``lines``: at which orders another part beats, shape (q,); half orders close to them do not count, unless
    these are most.
    """
    power, error = np.full(len(BEATS_HZ), np.nan), np.full(len(BEATS_HZ), np.nan)
    if beats is not None:
        mine, beside = engine_orders(beats)
        if lines is not None:
            clear = mine & ~widened(lines, BESIDE_LINES)
            mine = clear if 2 * clear.sum() >= mine.sum() else mine
            beside = beside & ~widened(lines, 2)
        found = swing(scene, beats.without(gain, scene), mine, beside)
        for hz, one, other in zip(found.hz, found.power, found.error, strict=True):
            j = int(np.argmin(np.abs(np.log(BEATS_HZ / hz))))
            if hz > low_hz:
                power[j], error[j] = one, other
    return Strengths(BEATS_HZ, power, error)


def _without_tone(scene: Scene, masks: Masks, gain: FloatArray, tone: float, base: FloatArray) -> FloatArray:
    """Powers of the bands, shape (b,), without the lines of an order and its multiples, NaN where none is
    left.

    Where the order map reaches, the lines are cut out of it; above it the lower third of a band's narrow
    parts stands for the band.
    """
    out, angle = np.full(len(base), np.nan), scene.angle
    if angle is None:
        return out
    speed_hz = float(np.nanmedian(scene.rpm)) / 60.0
    lines, hz_of = (
        _calm_mean(scene, masks, gain, angle.map_power, angle.map_time_s),
        angle.map_order * speed_hz,
    )
    number = np.maximum(np.round(angle.map_order / tone), 1.0)
    free = np.abs(angle.map_order - number * tone) > 0.22 + 0.006 * angle.map_order
    narrow = _calm_mean(scene, masks, gain, scene.tone, scene.tone_time_s)
    for i, hz in enumerate(scene.level_hz):
        low, high = hz * 2.0 ** (-1 / 6), hz * 2.0 ** (1 / 6)
        if hz < LINES_UP_TO_HZ:
            inside = (hz_of >= low) & (hz_of < high)
            if (inside & free).sum() > 0.3 * max(inside.sum(), 1):
                out[i] = base[i] * lines[inside & free].mean() / lines[inside].mean()
        else:
            inside = (scene.tone_hz >= low) & (scene.tone_hz < high)
            out[i] = base[i] * np.percentile(narrow[inside], CALM_PERCENT) / narrow[inside].mean()
    return out


def _calm_mean(
    scene: Scene, masks: Masks, gain: FloatArray, power: FloatArray, time_s: FloatArray
) -> FloatArray:
    """Mean over the calm instants of powers at other times, shape (times, k) to (k,)."""
    calm = np.interp(time_s, scene.time_s, masks.calm.astype(float)) > 0.5
    calm = calm if calm.sum() >= 3 else np.ones(len(calm), bool)
    return np.asarray((power[calm] * taken_out(gain, scene, time_s[calm])[:, None]).mean(axis=0))


def _engine_beats(scene: Scene, masks: Masks, beats: Beats | None, gain: FloatArray) -> Strengths:
    if beats is None:
        return Strengths(np.zeros(0), np.zeros(0), np.zeros(0))
    calm = np.interp(beats.time_s, scene.time_s, masks.calm.astype(float)) > 0.5
    heard = beats.without(gain, scene)
    if calm.sum() >= 4:
        heard = replace(heard, power=heard.power[calm], time_s=heard.time_s[calm])
    return swing(scene, heard, *engine_orders(beats))
