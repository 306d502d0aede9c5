"""Sounds that are not the car's: wind, bumps against the phone, mains hum."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.spans import spans_of
from audiodiag.clip.spectra import Spectra
from audiodiag.records import FloatArray, Note, Span
from audiodiag.signal.medians import running_median

__all__ = ["bump_note", "hum_note", "wind_note"]

_BUMP_DB, _BUMP_TOP_DB = 10.0, 14.5
_BUMP_OVER_SPREAD = 3.3
_BUMP_EDGE_S = 0.15
_GUST_DB = 5.0
_HUM_DB = 8.0


def _db(power: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(power + 1e-16))


def wind_note(spectra: Spectra) -> Note | None:
    """Say that wind blew on the microphone: gusts of noise without lines below 150 Hz that rule the clip."""
    from scipy import fft

    signal, rate_hz = spectra.low_signal, spectra.low_rate_hz
    length = 1 << round(np.log2(rate_hz * 0.512))
    frames = signal[: signal.size // length * length].reshape(-1, length)
    if frames.shape[0] < 6:
        return None
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    power = np.abs(fft.rfft(frames * window, axis=1)) ** 2
    frequency_hz = np.arange(power.shape[1]) * rate_hz / length
    low = (frequency_hz >= 16.0) & (frequency_hz < 150.0)
    rest = (frequency_hz >= 500.0) & (frequency_hz < 3000.0)
    low_db, rest_db = _db(power[:, low].sum(axis=1)), _db(power[:, rest].sum(axis=1))
    lines_db = _db(power[:, low])
    surround_db = running_median(lines_db, 15, axis=1)
    sharpest = np.quantile(lines_db - surround_db, 0.96, axis=1)
    calm_db = np.quantile(low_db, 0.15)
    gust = (low_db > calm_db + _GUST_DB) & (low_db > rest_db - 1.0) & (sharpest < 11.0)
    if np.count_nonzero(gust) < max(3, 0.08 * gust.size):
        return None
    # A gust comes alone; a faster engine lifts the sounds above with it.
    lift = float(np.median(rest_db[gust]) - np.median(rest_db[~gust])) if np.any(~gust) else 0.0
    if lift > 0.5 * float(np.median(low_db[gust]) - np.median(low_db[~gust])):
        return None
    return Note(
        "wind",
        "Wind blew on the microphone: strong, gusty rumble below about 150 Hz covers the lowest "
        "engine sounds, "
        "so the engine speed is harder to hear. Record on the sheltered side, turn the microphone away from "
        "the fan and the wind, or shield it with the body and not with a hand on it.",
        spans_of(gust, length / rate_hz, join_s=0.6),
    )


def bump_note(spectra: Spectra, covered: tuple[Span, ...] = ()) -> Note | None:
    """Say that the phone was knocked: short thumps below 300 Hz, alone among quiet surroundings.

    A thump stands 14.5 dB and 3.3 times the ninth decile of the clip's own ups and downs above the median of
    1.2 s around it: narrow bands of noise rise by 10 dB now and then by chance. The first and last 0.15 s do
    not count, where a recorder fades in.
    Thumps inside the stretches ``covered`` (speech, wind) are what is already said there and do not count.
    """
    level_db = _db(spectra.track(20.0, 300.0))
    around = round(1.2 / spectra.low_hop_s) | 1
    if level_db.size < around:
        return None
    excess = level_db - running_median(level_db, around, axis=0)
    excess[: round(_BUMP_EDGE_S / spectra.low_hop_s)] = 0.0
    excess[-round(_BUMP_EDGE_S / spectra.low_hop_s) :] = 0.0
    least_db = max(_BUMP_TOP_DB, _BUMP_OVER_SPREAD * float(np.quantile(excess, 0.9)))
    spans = [
        (start, end)
        for start, end in spans_of(excess > _BUMP_DB, spectra.low_hop_s, join_s=0.05)
        if end - start < 0.45
        and excess[round(start / spectra.low_hop_s) : round(end / spectra.low_hop_s)].max() > least_db
        and not any(first <= end and start <= last for first, last in covered)
    ]
    share = sum(end - start for start, end in spans) / (level_db.size * spectra.low_hop_s)
    if not spans or share > 0.15:
        return None
    return Note(
        "handling",
        f"{len(spans)} thump{'s' if len(spans) > 1 else ''}, as when the phone is knocked, gripped or "
        "brushed, or a "
        "part knocks once. They are not taken for a regular noise. Lay the phone down or hold it still, "
        "without cloth against it.",
        tuple((round(start, 3), round(end + 0.03, 3)) for start, end in spans),
        severity="info",
    )


def hum_note(spectra: Spectra) -> Note | None:
    """Say that mains hum (50 or 60 Hz and multiples) is in the clip: lines that stand still to 0.1 Hz.

    Only claimed where no other lines stand as still, since an engine held at one speed makes them too.
    """
    from scipy import fft, ndimage

    signal, rate_hz = spectra.low_signal, spectra.low_rate_hz
    part = signal[: round(40.0 * rate_hz)]
    if part.size < 4 * rate_hz:
        return None
    window = np.hanning(part.size).astype(np.float32)
    last = round(460.0 / rate_hz * part.size)
    level_db = _db(np.abs(fft.rfft(part * window)[:last]) ** 2)
    step_hz = rate_hz / part.size
    ring = np.ones(max(9, round(1.5 / step_hz)) | 1, dtype=bool)
    ring[ring.size // 2 - 3 : ring.size // 2 + 4] = False
    beside_db = ndimage.maximum_filter(level_db, footprint=ring, mode="nearest")
    frequency_hz = np.arange(last) * step_hz
    reach_hz = max(0.12, 2.5 * step_hz)
    top = level_db >= ndimage.maximum_filter1d(level_db, 5)
    peaks_hz = frequency_hz[top & (level_db - beside_db > _HUM_DB) & (frequency_hz > 20.0)]
    for mains_hz in (50.0, 60.0):
        off = np.abs(peaks_hz - mains_hz * np.round(peaks_hz / mains_hz))
        hits = {int(n) for n in np.round(peaks_hz[off < reach_hz] / mains_hz)}
        strangers = int(np.count_nonzero(off >= reach_hz))
        if len(hits) >= 3 and strangers <= len(hits) // 2:
            return Note(
                "hum",
                f"Hum of the mains ({mains_hz:.0f} Hz and multiples) from a lamp, a charger or a "
                "compressor is in the "
                "clip; it does not come from the car. Switch such things off or record outdoors, with the "
                "phone off its charger.",
                severity="info",
            )
    return None
