"""Belt chirp: does a train of short high bursts come once per belt pass or pulley turn?

The envelope of 2 to 12 kHz is searched for a comb at the belt's order B (0.18 to 0.66) or at a pulley's (0.85
to 1.65) whose lines miss the half orders; bursts are counted and timed, and the angle between them is
checked by autocorrelation. Most chirps fill little of a wide band, so the comb is sought in narrow ones too.
Rows of slim bursts are sought over time as well, whatever the engine speed (``burst_rows``).
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import BEAT_SAMPLES_PER_REV, TRACK_HOP_S, AngleView, Beats
from audiodiag.symptoms.beats import engine_free_beats
from audiodiag.symptoms.burst_rows import (
    FEWEST_NARROW,
    LOWEST_NARROW_HZ,
    above_usual,
    find_row,
    short_rises,
    slowed,
)
from audiodiag.symptoms.measures import Measure, SymptomMeasurement, evidence_of, filled
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import (
    TINY,
    Index,
    Mask,
    decibels,
    doublings,
    half_order_distance,
    peaks_only,
    smooth,
    spans_of,
    spread_maximum,
)

__all__ = ["MEASURES", "measure"]

MEASURES = (
    Measure(
        "chirp_belt_comb_db",
        "dB",
        "Bursts that may be a chirp beat at a belt's order, {value:.1f} dB above their surroundings.",
        label="Bursts at the belt's pace",
    ),
    Measure(
        "chirp_belt_order",
        "per crank turn",
        "Bursts that may be a chirp repeat {value:.3f} times per crank turn.",
        label="Order of the belt",
    ),
    Measure(
        "chirp_pulley_comb_db",
        "dB",
        "Bursts that may be a chirp beat at a pulley's order, {value:.1f} dB above their surroundings.",
        label="Bursts at a pulley's pace",
    ),
    Measure(
        "chirp_repetition",
        "1",
        "Bursts that may be a chirp repeat alike by {value:.2f} (1: exactly, 0: not at all, below 0: the "
        "other way).",
        label="Repetition of the chirp",
    ),
    Measure(
        "chirp_fit_db",
        "dB",
        "The gaps between bursts fit whole belt passes {value:.1f} dB better than not (below 0: they do "
        "not fit).",
        label="Bursts that keep the belt's pace",
    ),
    Measure(
        "chirp_burst_rate_hz",
        "1/s",
        "{value:.1f} bursts of 15 to 150 ms come every second.",
        label="Rate of short bursts",
    ),
    Measure(
        "chirp_burst_height_db",
        "dB",
        "A burst that may be a chirp stands {value:.1f} dB above what surrounds it.",
        label="Height of short bursts",
    ),
    Measure(
        "chirp_burst_length_ms",
        "ms",
        "A burst that may be a chirp lasts {value:.0f} ms.",
        label="Length of short bursts",
    ),
    Measure(
        "chirp_narrow_comb_db",
        "dB",
        "In one narrow band bursts that may be a chirp beat at a belt's order, {value:.1f} dB above their "
        "surroundings.",
        label="Bursts at the belt's pace in a narrow band",
    ),
    Measure(
        "chirp_narrow_fit_db",
        "dB",
        "In the narrow band that shows bursts best, their gaps fit whole belt passes {value:.1f} dB better "
        "than not (below 0: they do not fit).",
        label="Bursts of a narrow band that keep the belt's pace",
    ),
    Measure(
        "chirp_narrow_rate_hz",
        "1/s",
        "In the narrow band that shows bursts best, {value:.1f} of them come every second.",
        label="Rate of short bursts in a narrow band",
    ),
    Measure(
        "chirp_narrow_peakiness",
        "1",
        "In the narrow band that shows bursts best, the power doubles {value:.1f} times from the usual to "
        "the peaks.",
        label="Peaks in a narrow band, in doublings of power",
    ),
    Measure(
        "chirp_irregularity",
        "1",
        "The gaps between bursts that may be a chirp scatter by {value:.2f} (0: all alike).",
        label="Irregularity of the bursts",
    ),
    Measure(
        "chirp_peakiness",
        "1",
        "In the bands of what may be a chirp, the power doubles {value:.1f} times from the usual to the "
        "peaks.",
        label="Peaks of the chirp, in doublings of power",
    ),
    Measure(
        "chirp_share_db",
        "dB",
        "Bursts that may be a chirp lie at {value:.1f} dB against the whole engine bay.",
        label="Level of the chirp",
    ),
    Measure(
        "chirp_row_comb_db",
        "dB",
        "The most even row of what may be bursts scores {value:.1f} dB (without any, up to 20).",
        label="Even rows of bursts",
    ),
    Measure(
        "chirp_row_low_rise_db",
        "dB",
        "With bursts that may be a chirp, what lies below 1.2 kHz rises by {value:.1f} dB.",
        label="Rise of the lows with bursts",
    ),
    Measure(
        "chirp_row_spread",
        "1",
        "With bursts that may be a chirp, all bands rise on average by {value:.0%} of what the loudest of "
        "them does.",
        label="Spread of bursts over the bands",
    ),
    Measure(
        "chirp_swell_evenness",
        "1",
        "What swells over the calm from 1.5 up to 11 kHz at most fills its bands evenly by {value:.2f} (1: "
        "wholly; 0: one narrow band alone).",
        label="Evenness of the highs that swell",
    ),
    Measure(
        "chirp_swell_octaves",
        "octaves",
        "What swells over the calm has its centre {value:.1f} octaves above 1 kHz (below 0: under it).",
        label="Centre of what swells",
    ),
)

LOW_HZ, HIGH_HZ = 2000.0, 13000.0
BELT_ORDERS = (0.18, 0.66)
FEWEST_BURSTS, FIT_UP_TO_DB = 5, 6.0
BURST_DB, FAINT_DB, NARROW_DB, NARROW_TIMED_DB = 3.0, 2.5, 5.0, 6.0
"""A burst is measured from the first height on; in a train that is heard, it is timed from the second on. In
a narrow band, where noise moves more, it is measured and timed from the third and fourth on."""

TRAIN_GAP_S = 2.5
"""Bursts no further apart than this belong to one train."""


def measure(scene: Scene) -> SymptomMeasurement:
    """Measure what speaks for a belt chirp; the combs are NaN where the speed is unknown."""
    columns = np.flatnonzero((scene.beat_hz > LOW_HZ) & (scene.beat_hz < HIGH_HZ))
    if not scene.usable or columns.size == 0 or len(scene.envelope) < 400:
        return SymptomMeasurement(filled(MEASURES, {}))
    values: dict[str, float] = {}
    chosen: Index = columns
    timed = np.zeros(len(scene.time_s), bool)
    if scene.angle is not None:
        combs, chosen = _combs(scene.angle, columns)
        values |= combs
        values |= _repetition(scene.angle, chosen)
        narrow, timed = _narrow(scene, scene.angle)
        values |= narrow
    bursts, on, level, middle_s = _bursts(scene, chosen)
    values |= bursts
    if scene.angle is not None:
        comb_db = min(values["chirp_belt_comb_db"], FIT_UP_TO_DB)
        values["chirp_fit_db"] = comb_db * _fit(scene.angle, middle_s, values["chirp_belt_order"])
    if (row := find_row(scene)) is not None:
        values["chirp_row_comb_db"] = row.comb_db
        values["chirp_row_low_rise_db"], values["chirp_row_spread"] = row.low_rise_db, row.spread
        if scene.angle is None:
            timed = _on_track(len(timed), *row.bursts(NARROW_TIMED_DB), 1.0)
    if scene.swell is not None:
        values["chirp_swell_evenness"] = scene.swell.evenness_upper
        values["chirp_swell_octaves"] = scene.swell.centre_octaves
    values["chirp_share_db"] = level
    values = filled(MEASURES, values)
    return SymptomMeasurement(
        values,
        spans_of(timed if timed.any() else on, TRACK_HOP_S, 0.1, TRAIN_GAP_S),
        level,
        evidence_of(MEASURES, values),
    )


def _combs(angle: AngleView, columns: Index) -> tuple[dict[str, float], Index]:
    """Best comb at a belt's and at a pulley's order; and the bands that show the belt's comb best."""
    step = angle.long.step
    lines = _lines_off_engine(angle.long, angle.beat_excess_db[:, columns])
    belt = np.arange(*BELT_ORDERS, step / 4)
    pulley = np.arange(0.85, 1.65, step / 3)
    score = _comb(lines, step, belt, 6)
    ranked = np.sort(score, axis=1)[:, ::-1]
    best_bands = ranked[:, : max(1, min(3, ranked.shape[1]))].mean(axis=1)
    best = int(np.argmax(best_bands))
    order = np.argsort(-score[best])[:3]
    pulley_score = np.sort(_comb(lines, step, pulley, 4), axis=1)[:, ::-1]
    return {
        "chirp_belt_comb_db": best_bands[best],
        "chirp_belt_order": belt[best],
        "chirp_pulley_comb_db": pulley_score[:, : max(1, min(3, len(columns)))].mean(axis=1).max(),
    }, columns[order]


def _lines_off_engine(beats: Beats, excess: FloatArray) -> FloatArray:
    """Lines of the envelopes that stand out and are none of the engine's, dB, shape (orders, bands)."""
    lines = np.clip(excess, -3.0, 15.0)
    lines = np.where(beats.near_engine(beats.order)[:, None], 0.0, peaks_only(lines, 2, 0.0))
    return spread_maximum(lines, 1)


def _comb(lines: FloatArray, step: float, orders: FloatArray, harmonics: int) -> FloatArray:
    """Height of a comb at each order and its multiples, shape (orders, bands)."""
    total = np.zeros((len(orders), lines.shape[1]))
    for h in range(1, harmonics + 1):
        index = np.round(h * orders / step).astype(int)
        weight = 1.0 if h <= 3 else 0.6
        total += weight * lines[np.minimum(index, len(lines) - 1)]
    return total / np.sqrt(harmonics)


def _narrow(scene: Scene, angle: AngleView) -> tuple[dict[str, float], Mask]:
    """The comb at a belt's order in the narrow band that shows it best, the bursts in it, when they come."""
    columns = np.flatnonzero(scene.narrow_hz > LOWEST_NARROW_HZ)
    if len(columns) < FEWEST_NARROW:
        return {}, np.zeros(len(scene.time_s), bool)
    step = angle.long.step
    belt = np.arange(*BELT_ORDERS, step / 4)
    lines = _lines_off_engine(angle.long, angle.narrow_excess_db[:, columns])
    score = _comb(lines, step, belt, 6)
    place, band = np.unravel_index(int(np.argmax(score)), score.shape)
    comb_db = float(score[place, band])
    power, rate = slowed(scene.narrow[:, columns[[int(band)]]], scene.narrow_rate_hz)
    above = above_usual(decibels(power[:, 0]), rate)
    starts, ends = short_rises(above > NARROW_DB, rate)
    values = {
        "chirp_narrow_comb_db": comb_db,
        "chirp_narrow_fit_db": min(comb_db, FIT_UP_TO_DB)
        * _fit(angle, (starts + ends) / 2.0 / rate, float(belt[place])),
        "chirp_narrow_rate_hz": len(starts) / max(scene.duration_s, 0.5),
        "chirp_narrow_peakiness": _peakiness(power[:, 0]),
    }
    return values, _on_track(len(scene.time_s), *short_rises(above > NARROW_TIMED_DB, rate), rate)


def _peakiness(power: FloatArray) -> float:
    """How far the loudest fiftieth of the instants lies above the median, doublings of power."""
    centred = smooth(power, 2)
    return float(doublings(np.percentile(centred, 98.0) / max(float(np.median(centred)), TINY)))


def _repetition(angle: AngleView, columns: Index) -> dict[str, float]:
    """Autocorrelation of the envelope over angle without the engine's cycle, best off half turns."""
    track = engine_free_beats(angle, keep_slow=True)[:, columns].mean(axis=1)
    if len(track) < 8 * BEAT_SAMPLES_PER_REV:
        return {}
    track = smooth(track, 3) - smooth(track, 2 * BEAT_SAMPLES_PER_REV)
    size = scipy.fft.next_fast_len(2 * len(track), real=True)
    power = np.abs(scipy.fft.rfft(track, size)) ** 2
    both = scipy.fft.irfft(power, size)[: 7 * BEAT_SAMPLES_PER_REV]
    lags = np.arange(len(both)) / BEAT_SAMPLES_PER_REV
    shape = both / max(float(both[0]), TINY) * len(track) / np.maximum(len(track) - np.arange(len(both)), 1)
    ripple = shape - smooth(shape, BEAT_SAMPLES_PER_REV)
    off = (lags > 1.5) & (lags < 5.8) & (half_order_distance(lags) > 0.08)
    return {
        "chirp_repetition": float(ripple[off].max()),
    }


def _fit(angle: AngleView, middle_s: FloatArray, belt_order: float) -> float:
    """Whether belt passes lie between bursts: mean cosine over gaps of one and two, 0 for few bursts."""
    if len(middle_s) < FEWEST_BURSTS:
        return 0.0
    turned = angle.crank.rev_at(middle_s)
    gaps = np.concatenate([np.diff(turned), turned[2:] - turned[:-2]])
    return float(np.cos(2.0 * np.pi * belt_order * gaps).mean())


def _bursts(scene: Scene, columns: Index) -> tuple[dict[str, float], Mask, float, FloatArray]:
    """Count and time bursts of 15 to 150 ms in the chosen bands; when they come; their level; middles."""
    slow, rate = slowed(scene.envelope[:, columns], scene.envelope_rate_hz)
    count = len(slow)
    above = above_usual(decibels(slow).mean(axis=1), rate)
    starts, ends = short_rises(above > BURST_DB, rate)
    length_ms = (ends - starts) / rate * 1000.0
    heights = np.array([above[a:b].max() for a, b in zip(starts, ends, strict=True)])
    middle = (starts + ends) / 2.0 / rate
    on = _on_track(len(scene.time_s), starts, ends, rate)
    heard = _on_track(len(scene.time_s), *short_rises(above > FAINT_DB, rate), rate)
    gaps = np.diff(middle)
    if scene.angle is not None and len(middle) > 1:
        gaps = np.diff(scene.angle.crank.rev_at(middle))
    excess = 0.0
    if len(starts):
        inside = np.zeros(count, bool)
        for a, b in zip(starts, ends, strict=True):
            inside[a:b] = True
        width = scene.beat_hz[columns] * 0.35 * 2.0 / scene.sample_rate_hz
        power = (slow * width).sum(axis=1)
        train_s = sum(end - start for start, end in spans_of(on, TRACK_HOP_S, 0.1, 0.6))
        added = float((power[inside] - np.median(power)).sum()) / rate
        excess = max(added / max(train_s, 0.1), 0.0)
    share = float(decibels(excess / max(scene.engine_power, TINY)))
    values = {
        "chirp_burst_rate_hz": len(starts) / max(scene.duration_s, 0.5),
        "chirp_burst_height_db": float(np.median(heights)) if len(heights) else 0.0,
        "chirp_burst_length_ms": float(np.median(length_ms)) if len(heights) else np.nan,
        "chirp_irregularity": float(np.std(np.log(np.maximum(gaps, 1e-3)))) if len(gaps) > 3 else np.nan,
        "chirp_peakiness": _peakiness(slow.mean(axis=1)),
    }
    return values, heard, max(share, -80.0), middle


def _on_track(count: int, starts: Index | FloatArray, ends: Index | FloatArray, rate: float) -> Mask:
    """Which of ``count`` instants of the track the stretches reach into."""
    on = np.zeros(count, bool)
    for a, b in zip(starts, ends, strict=True):
        on[int(a / rate / TRACK_HOP_S) : int(b / rate / TRACK_HOP_S) + 1] = True
    return on
