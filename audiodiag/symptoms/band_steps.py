"""In which band does a stretch of sound step up and later step down again, beyond what the lows do?

A relief valve need not fill all bands above 1.5 kHz: the room, the phone and the valve's own resonances may
leave an octave of it. So the steps are looked for in several bands, each from an octave to three wide. In
each the steepest steps up and down are paired; a pair is a stretch, worth the smaller of its two heights over
its surroundings and of its two steps, less a share of what the lows rise, and the more the longer and
steadier it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import TRACK_HOP_S
from audiodiag.symptoms.spectra import Index, Mask, smooth

__all__ = ["BandSteps", "find_steps", "searchable"]

BANDS_HZ = (
    (1000.0, 2000.0),
    (1400.0, 2900.0),
    (2000.0, 4000.0),
    (2800.0, 5700.0),
    (4000.0, 8000.0),
    (5600.0, 11500.0),
    (1400.0, 5700.0),
    (2800.0, 11500.0),
    (1400.0, 11500.0),
)
"""Bands that are searched; each must hold three third octaves at least."""
LOWS_HZ, LOWS_SHARE = (100.0, 800.0), 0.25
"""Where an engine rises that is pressed, and which share of that rise is taken off."""
STEP_WIDTH, STEP_GAP = 6, 2
"""Instants on either side whose means make a step, and instants left out between them."""
SIDE_GAP, SIDE_WIDTH, INNER_GAP, BESIDE_WIDTH = 2, 10, 2, 12
"""Surroundings of a stretch: instants left out at its edge, instants its height is taken over; instants left
out within; instants that count as beside it."""
MOST_EDGES, LEAST_STEP_DB = 14, 0.7
SHORTEST, LONGEST_S, FULL_S = 7, 20.0, 2.0
"""Instants of the shortest stretch; seconds of the longest; from how long on a stretch counts fully."""
STEADY_POWER = 1.5
MORE_HEIGHT, MORE_WORTH = 0.5, 0.3
"""Shares of the best stretch's height and worth that others of the same band need to be counted with it."""
CALM_PERCENT, GAP_DB = 20.0, 1.0
"""A band is held at so much below this percentile of its level: drop-outs on either side make no stretch."""
SOUNDING = 0.6
"""From which share of the stretches' height on the band is held to sound."""
SCATTER_WIDTH, SCATTER_GAP, LEAST_SCATTER_DB = 10, 4, 0.2
SCATTER_AWAY, FEWEST_STEPS = 14, 20
"""Instants around a stretch whose steps are its own; fewest others that tell the usual ups and downs."""
FEWEST = 40


@dataclass(frozen=True, eq=False)
class BandSteps:
    """The stretches of the band in which the best of them lies.

    band_hz: that band. step_db: height of the best stretch, less a share of the lows' rise. worth_db: the
    same, the less the shorter and the less steady it is. clear: the height in standard deviations of the
    usual ups and downs of half a second. low_db: what the lows rise. unsteadiness_db: standard deviation of
    the level within. on, beside: shape (t,), instants of all stretches and of their surroundings; sounding:
    the stretches and all other instants nearly as loud, at the ends of the clip too.
    """

    band_hz: tuple[float, float]
    step_db: float
    worth_db: float
    clear: float
    low_db: float
    unsteadiness_db: float
    on: Mask
    beside: Mask
    sounding: Mask


def searchable(level_hz: FloatArray, count: int) -> bool:
    """Tell whether so many instants of these bands can be searched at all: long enough, and with the lows."""
    return bool(count >= FEWEST and _between(level_hz, LOWS_HZ).sum() >= 3)


def _between(level_hz: FloatArray, band_hz: tuple[float, float]) -> Mask:
    """Tell which third octaves have their middle between two frequencies."""
    return np.asarray((level_hz > band_hz[0]) & (level_hz < band_hz[1]))


def find_steps(level_hz: FloatArray, level_db: FloatArray) -> BandSteps | None:
    """Find the band and the stretches that stand out most.

    level_hz: centres of third octaves, shape (b,). level_db: their levels every ``TRACK_HOP_S``, shape
    (t, b). None for a clip that is too short or narrow, or without a stretch above what is before and after.

    >>> rng = np.random.default_rng(1)
    >>> hz = 125.0 * 2.0 ** (np.arange(18) / 3)
    >>> level = 0.3 * rng.standard_normal((200, 18))
    >>> level[80:120, 10:14] += 6.0
    >>> found = find_steps(hz, level)
    >>> found.band_hz, found.step_db > 5.0, int(found.on.sum())
    ((1400.0, 2900.0), True, 38)
    """
    if not searchable(level_hz, len(level_db)):
        return None
    low = _without_gaps(smooth(level_db[:, _between(level_hz, LOWS_HZ)].mean(axis=1), 3))[0]
    best: BandSteps | None = None
    for band in BANDS_HZ:
        inside = _between(level_hz, band)
        if inside.sum() < 3:
            continue
        found = _in_band(band, smooth(level_db[:, inside].mean(axis=1), 3), low)
        if found is not None and (best is None or found.worth_db > best.worth_db):
            best = found
    return best


def _without_gaps(track: FloatArray) -> tuple[FloatArray, Mask]:
    """Hold a track up where it drops out, and tell where that is."""
    calm_db = float(np.percentile(track, CALM_PERCENT)) - GAP_DB
    return np.maximum(track, calm_db), np.asarray(track < calm_db)


def _steps(track: FloatArray, width: int, gap: int) -> FloatArray:
    """Mean of the instants after each edge between instants less that of those before, shape (t + 1,)."""
    count = len(track)
    total = np.concatenate([[0.0], np.cumsum(track)])
    edge = np.arange(count + 1)
    after = _mean(total, edge + gap // 2, edge + gap // 2 + width)
    before = _mean(total, edge - gap // 2 - width, edge - gap // 2)
    step = after - before
    step[:3] = step[-3:] = 0.0
    return step


def _mean(total: FloatArray, start: Index, end: Index) -> FloatArray:
    """Means of a track between edges from its running total; what lies outside the clip is left out."""
    start, end = (np.clip(edge, 0, len(total) - 1) for edge in (start, end))
    return np.asarray((total[end] - total[start]) / np.maximum(end - start, 1))


def _steepest(step: FloatArray) -> Index:
    """The edges at which a track rises most, in their order."""
    at = (
        np.flatnonzero((step[1:-1] >= step[:-2]) & (step[1:-1] > step[2:]) & (step[1:-1] > LEAST_STEP_DB)) + 1
    )
    return np.sort(at[np.argsort(-step[at], kind="stable")[:MOST_EDGES]])


def _in_band(band_hz: tuple[float, float], track: FloatArray, low: FloatArray) -> BandSteps | None:
    """The stretches of one band, None where nothing steps up and down."""
    track, gap = _without_gaps(track)
    step = _steps(track, STEP_WIDTH, STEP_GAP)
    up, down = _steepest(step), _steepest(-step)
    start, end = (each.ravel() for each in np.meshgrid(up, down, indexing="ij"))
    kept = (end - start >= SHORTEST) & (end - start <= round(LONGEST_S / TRACK_HOP_S))
    start, end = start[kept], end[kept]
    if not len(start):
        return None
    height, spread = _heights(track, start, end, np.minimum)
    low_db = np.maximum(_heights(low, start, end, np.maximum)[0], 0.0)
    step_db = np.minimum(height, np.minimum(step[start], -step[end])) - LOWS_SHARE * low_db
    lasting = np.sqrt(np.minimum((end - start) * TRACK_HOP_S, FULL_S) / FULL_S)
    worth = step_db * lasting / (1.0 + spread) ** STEADY_POWER
    best = int(np.argmax(worth))
    if worth[best] <= 0.0:
        return None
    chosen = _apart(
        start, end, worth, (step_db >= MORE_HEIGHT * step_db[best]) & (worth >= MORE_WORTH * worth[best])
    )
    on, beside = np.zeros(len(track), bool), np.zeros(len(track), bool)
    for k in chosen:
        on[start[k] + 1 : end[k] - 1] = True
        beside[max(start[k] - SIDE_GAP - BESIDE_WIDTH, 0) : max(start[k] - SIDE_GAP, 0)] = True
        beside[end[k] + SIDE_GAP : end[k] + SIDE_GAP + BESIDE_WIDTH] = True
    beside &= ~on & ~gap
    base_db = float(np.median(track[beside] if beside.any() else track))
    nearly_db = base_db + SOUNDING * (float(np.median(track[on])) - base_db)
    usual = _steps(track, SCATTER_WIDTH, SCATTER_GAP)
    away = ~binary_dilation(np.append(on, False), iterations=SCATTER_AWAY)
    usual = usual[away] if away.sum() >= FEWEST_STEPS else usual
    scatter = 1.4826 * float(np.median(np.abs(usual - np.median(usual)))) + LEAST_SCATTER_DB
    return BandSteps(
        band_hz=band_hz,
        step_db=float(step_db[best]),
        worth_db=float(worth[best]),
        clear=float(step_db[best] * lasting[best] / scatter),
        low_db=float(low_db[best]),
        unsteadiness_db=float(spread[best]),
        on=on,
        beside=beside,
        sounding=on | (track > nearly_db),
    )


def _heights(track: FloatArray, start: Index, end: Index, of_both: np.ufunc) -> tuple[FloatArray, FloatArray]:
    """How far stretches lie above what is before and after, of both the smaller or larger; their spread."""
    total, squares = (np.concatenate([[0.0], np.cumsum(each)]) for each in (track, track**2))
    first, last = start + INNER_GAP, end - INNER_GAP
    inner = _mean(total, first, last)
    spread = np.sqrt(np.maximum(_mean(squares, first, last) - inner**2, 0.0))
    before = _mean(total, start - SIDE_GAP - SIDE_WIDTH, start - SIDE_GAP)
    after = _mean(total, end + SIDE_GAP, end + SIDE_GAP + SIDE_WIDTH)
    return np.asarray(of_both(inner - before, inner - after)), np.asarray(spread)


def _apart(start: Index, end: Index, worth: FloatArray, good: Mask) -> Sequence[int]:
    """The worthiest stretches that do not overlap, the best first."""
    taken = np.zeros(int(end.max()) + 1, bool)
    chosen: list[int] = []
    for k in np.argsort(-worth, kind="stable"):
        if good[k] and not taken[start[k] : end[k]].any():
            taken[start[k] : end[k]] = True
            chosen.append(int(k))
    return chosen
