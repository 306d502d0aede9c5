"""Belt squeal: do high tones come and go that hold neither a pitch nor an order?

Stick-slip of a slipping belt makes tones with harmonics that wander. A chime holds its pitch to the hertz, an
alternator its order; both last or repeat unchanged.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.ridges import Ridge, levels_filled, prominence_db, speed_at_frames, tonal_ridges
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import TINY, Mask, decibels, smooth, spans_of

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "squeal_prominence_db",
        "dB",
        "A high tone that may be a squeal stands {value:.1f} dB above the sound around it.",
        label="Height of the squeal",
    ),
    Measure(
        "squeal_frequency_hz",
        "Hz",
        "The high tone that stands out furthest sits near {value:.0f} Hz.",
        label="Pitch of the squeal",
    ),
    Measure(
        "squeal_total_s",
        "s",
        "High tones as of a squeal sound for {value:.1f} s in all.",
        label="Length of all squeals",
    ),
    Measure(
        "squeal_share_of_time",
        "1",
        "High tones as of a squeal sound for {value:.0%} of the clip.",
        label="Share of time with a squeal",
    ),
    Measure(
        "squeal_longest_s",
        "s",
        "The longest high tone as of a squeal lasts {value:.1f} s.",
        label="Longest squeal",
    ),
    Measure(
        "squeal_wander_percent",
        "%",
        "The pitch of the high tone wanders by {value:.2f} %, held by neither pitch nor order.",
        label="Wander of the squeal",
    ),
    Measure(
        "squeal_restlessness_hz",
        "Hz",
        "From one moment to the next the pitch of the high tone moves by {value:.1f} Hz.",
        label="Restlessness of the pitch",
    ),
    Measure(
        "squeal_pitch_residual_percent",
        "%",
        "The pitch of the high tone scatters by {value:.2f} %.",
        label="Scatter of the pitch",
    ),
    Measure(
        "squeal_order_residual_percent",
        "%",
        "The order of the high tone scatters by {value:.2f} %.",
        label="Scatter of the order",
    ),
    Measure(
        "squeal_harmonic_db",
        "dB",
        "At twice the pitch of a high tone, where its overtone would lie, the sound stands {value:.1f} "
        "dB out.",
        label="Overtone of the squeal",
    ),
    Measure(
        "squeal_rise_db",
        "dB",
        "The narrow band of the high tone rises by {value:.1f} dB while the tone sounds.",
        label="Rise of the squeal's band",
    ),
    Measure(
        "squeal_hump_db",
        "dB",
        "For most of a second one narrow band of the highs rises {value:.1f} dB above those beside it.",
        label="Rise of a sixth of an octave",
    ),
    Measure(
        "squeal_narrow_hump_db",
        "dB",
        "For a third of a second a band of one semitone in the highs rises {value:.1f} dB above its "
        "neighbours within an octave.",
        label="Rise of a semitone",
    ),
    Measure(
        "squeal_dip_percent",
        "%",
        "While high tones as of a squeal sound, the engine speed dips by {value:.1f} % more than usual.",
        label="Dip of the speed under the squeal",
    ),
    Measure(
        "squeal_count",
        "1",
        "High tones as of a squeal begin {value:.2f} times a second.",
        label="Squeals a second",
    ),
    Measure(
        "squeal_tones_at_once",
        "1",
        "The number of high tones that sound at once is {value:.0f} on average.",
        label="Tones at once",
    ),
    Measure(
        "squeal_low_rise_db",
        "dB",
        "While high tones as of a squeal sound, 200 to 900 Hz rises by {value:.1f} dB, which a "
        "voice would do.",
        label="Rise of the low sounds under the squeal",
    ),
    Measure(
        "squeal_share_db",
        "dB",
        "High tones as of a squeal lie at {value:.1f} dB against the whole engine bay.",
        label="Level of the squeal",
    ),
)

LOW_HZ, HIGH_HZ = 1150.0, 10000.0
STEADY_HZ, STEADY_PERCENT = 0.9, 0.12
LOCKED = 0.45
HUMP_FROM_HZ, HUMP_TO_HZ = 850.0, 11000.0


@dataclass(frozen=True)
class _Hump:
    """Bands to an octave, nearest and farthest band that one is compared with on either side, and for how
    long it must rise, s."""

    per_octave: int
    beside: tuple[int, int]
    lasts_s: float


HUMP, NARROW_HUMP = _Hump(6, (2, 5), 0.8), _Hump(12, (2, 12), 0.3)
RECORDED = 0.5
"""An overtone is measured where this share of it at least lies in the recording's band."""
OVERTONES_OF = 3
"""The clearest overtone is sought over so many ridges, the most prominent."""
LOUD_SHARE = 0.03
"""A ridge counts for the times of the squeal from this share of the loudest one's power on."""
LONG_FRAMES = 5
NEAR_OCTAVES = 0.5
"""A ridge counts for its times within so much of the loudest one's pitch, of its half, double or triple."""


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure what speaks for a belt squeal; needs no speed, uses it where it is known."""
    if not scene.usable or len(scene.tone) < 10 or scene.band_hz[1] < 2500.0:
        return SymptomMeasurement(filled(MEASURES, {}))
    filled_db = levels_filled(scene)
    ridges = tonal_ridges(scene, filled_db, LOW_HZ, HIGH_HZ)
    frame_s = float(scene.tone_time_s[1] - scene.tone_time_s[0])
    humps = {
        "squeal_hump_db": _hump_db(scene, filled_db, frame_s, HUMP),
        "squeal_narrow_hump_db": _hump_db(scene, filled_db, frame_s, NARROW_HUMP),
    }
    nothing = humps | {
        "squeal_prominence_db": 0.0,
        "squeal_total_s": 0.0,
        "squeal_share_of_time": 0.0,
        "squeal_count": 0.0,
        "squeal_longest_s": 0.0,
        "squeal_share_db": -60.0,
        "squeal_harmonic_db": 0.0,
        "squeal_rise_db": 0.0,
    }
    if not ridges:
        return SymptomMeasurement(filled(MEASURES, nothing))
    rpm = speed_at_frames(scene)
    free = [r for r in ridges if not _steady(r) and not _locked(r, rpm)] or ridges[:1]
    best = free[0]
    height = prominence_db(scene)
    on = np.zeros(len(scene.tone), bool)
    power = np.zeros(len(scene.tone))
    for ridge in free:
        on[ridge.frames] = True
        np.add.at(power, ridge.frames, ridge.power)
    mean_square = power * 2.0 / (len(scene.tone_hz) * scene.sample_rate_hz / (2 * scene.tone_hz[-1])) / 3.0
    share = float(np.mean(mean_square[on])) if on.any() else 0.0
    share_db = float(decibels(share / max(scene.engine_power, TINY)))
    dip = np.interp(scene.tone_time_s, scene.time_s, np.nan_to_num(scene.dip_percent))
    values = {
        "squeal_prominence_db": float(np.mean(np.sort(best.prominence_db)[-max(len(best.frames) // 2, 3) :])),
        "squeal_frequency_hz": float(np.median(best.frequency_hz)),
        "squeal_total_s": float(on.sum()) * frame_s,
        "squeal_share_of_time": float(on.mean()),
        "squeal_longest_s": max(len(r.frames) for r in free) * frame_s,
        "squeal_wander_percent": _wander(best, rpm),
        "squeal_restlessness_hz": best.restlessness_hz(),
        "squeal_pitch_residual_percent": best.pitch_residual_percent(),
        "squeal_order_residual_percent": best.order_residual_percent(rpm) if rpm is not None else np.nan,
        "squeal_harmonic_db": _overtone_db(scene, height, free[:OVERTONES_OF]),
        "squeal_rise_db": _rise_db(scene, best),
        "squeal_dip_percent": float(dip[on].mean() - dip.mean()) if rpm is not None and on.any() else np.nan,
        "squeal_count": float(sum(len(r.frames) >= 5 for r in free)) / max(scene.duration_s, 1.0),
        "squeal_tones_at_once": float(sum(len(r.frames) for r in ridges)) / max(float(on.sum()), 1.0),
        "squeal_low_rise_db": _low_rise_db(scene, on),
        "squeal_share_db": share_db,
    }
    values = filled(MEASURES, values | humps)
    heard = np.zeros(len(scene.tone), bool)
    for ridge in _of_one_squeal(free):
        heard[ridge.frames] = True
    active = np.interp(scene.time_s, scene.tone_time_s, smooth(heard.astype(float), 3)) > 0.3
    return SymptomMeasurement(
        values, spans_of(active, 0.05, 0.3, 0.2), share_db, evidence_of(MEASURES, values)
    )


def _hump_db(scene: Scene, filled_db: FloatArray, frame_s: float, hump: _Hump) -> float:
    """How far one narrow band rises above those around it for a while, NaN with too few bands.

    A rough squeal smears its tone over a band, so that no line of it stands out, and a short or gliding one
    is no ridge; wind, a hiss and a revving engine lift the neighbours as well.
    """
    top = min(HUMP_TO_HZ, 0.97 * float(scene.tone_hz[-1]))
    count = int(hump.per_octave * np.log2(top / HUMP_FROM_HZ)) if top > HUMP_FROM_HZ else 0
    edges = HUMP_FROM_HZ * 2.0 ** (np.arange(count + 1) / hump.per_octave)
    first = np.searchsorted(scene.tone_hz, edges)
    if count < 2 * hump.beside[1] - 2 or np.any(np.diff(first) < 1):
        return float("nan")
    full = 10.0 ** (0.1 * filled_db)
    power = np.column_stack([full[:, a:b].mean(axis=1) for a, b in itertools.pairwise(first)])
    level = smooth(decibels(power), 3)
    rise = level - np.percentile(level, 30.0, axis=0)
    band = np.arange(count)
    highest = 0.0
    for i in range(count):
        away = np.abs(band - i)
        beside = (away >= hump.beside[0]) & (away <= hump.beside[1])
        over = smooth(rise[:, i] - np.median(rise[:, beside], axis=1), max(round(hump.lasts_s / frame_s), 1))
        highest = max(highest, float(over.max() - np.median(over)))
    return highest


def _of_one_squeal(ridges: list[Ridge]) -> list[Ridge]:
    """Those of the ridges, the most prominent first, that one belt can make: near in pitch, or overtones.

    Other ridges are birds, brakes and voices, however loud.
    """
    powers = [float(np.median(ridge.power)) for ridge in ridges[:3]]
    loudest = ridges[int(np.argmax(powers))]
    pitch = float(np.median(loudest.frequency_hz))
    kept = []
    for ridge in ridges:
        octaves = np.log2(float(np.median(ridge.frequency_hz)) / pitch / np.array([0.5, 1.0, 2.0, 3.0]))
        loud = float(np.median(ridge.power)) > LOUD_SHARE * max(powers)
        if loud and len(ridge.frames) >= LONG_FRAMES and np.abs(octaves).min() < NEAR_OCTAVES:
            kept.append(ridge)
    return kept or [loudest]


def _steady(ridge: Ridge) -> bool:
    """Whether the ridge holds its pitch as a chime does."""
    return ridge.restlessness_hz() < STEADY_HZ or ridge.pitch_residual_percent() < STEADY_PERCENT


def _locked(ridge: Ridge, rpm: FloatArray | None) -> bool:
    """Whether the ridge holds its order far better than its pitch, as an alternator does in a rev."""
    if rpm is None:
        return False
    pitch = ridge.pitch_residual_percent()
    return pitch > 0.3 and ridge.order_residual_percent(rpm) < LOCKED * pitch


def _wander(ridge: Ridge, rpm: FloatArray | None) -> float:
    """The smaller of the scatters of pitch and of order, per cent."""
    pitch = ridge.pitch_residual_percent()
    return min(pitch, ridge.order_residual_percent(rpm)) if rpm is not None else pitch


def _overtone_db(scene: Scene, height: FloatArray, ridges: list[Ridge]) -> float:
    """The clearest overtone of the ridges: the one that stands out furthest may itself be an overtone."""
    found = [_harmonic_db(scene, height, ridge) for ridge in ridges]
    return max((each for each in found if np.isfinite(each)), default=float("nan"))


def _harmonic_db(scene: Scene, height: FloatArray, ridge: Ridge) -> float:
    """Mean prominence at twice the ridge's frequency less what noise gives; NaN where it is not recorded."""
    step = scene.tone_hz[1] - scene.tone_hz[0]
    twice = 2.0 * ridge.frequency_hz
    inside = twice < min(0.97 * scene.band_hz[1], scene.tone_hz[-1] - 2.0 * step)
    if inside.mean() < RECORDED:
        return float("nan")
    column = np.round(twice[inside] / step).astype(int)
    top = np.max([height[ridge.frames[inside], column + d] for d in (-1, 0, 1)], axis=0)
    return float(np.mean(top)) - 2.0


def _rise_db(scene: Scene, ridge: Ridge) -> float:
    """Level of the ridge's own narrow band while it sounds against the calmer quarter."""
    step = scene.tone_hz[1] - scene.tone_hz[0]
    low = int(np.percentile(ridge.frequency_hz, 10) * 0.97 / step)
    high = int(np.percentile(ridge.frequency_hz, 90) * 1.03 / step) + 1
    track = scene.tone[:, low:high].max(axis=1)
    return float(decibels(np.median(track[ridge.frames]) / max(float(np.percentile(track, 25.0)), TINY)))


def _low_rise_db(scene: Scene, on: Mask) -> float:
    """Level from 200 to 900 Hz while tones sound against the rest: speech lifts it."""
    low = (scene.tone_hz > 200.0) & (scene.tone_hz < 900.0)
    if on.all() or not on.any():
        return float("nan")
    track = decibels(scene.tone[:, low]).mean(axis=1)
    return float(track[on].mean() - track[~on].mean())
