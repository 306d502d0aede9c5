"""Levels over time: silence and drop-outs inside a clip, a gain that wanders, a level that is too low."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.spans import spans_of
from audiodiag.clip.spectra import Spectra
from audiodiag.records import FloatArray, Note, Span
from audiodiag.signal.medians import running_median

__all__ = ["dropout_spans", "gain_note", "too_quiet_note"]

_TOO_QUIET_DB = -55.0
_DROPOUT_BLOCK_S = 0.004
_DROPOUT_BELOW = 10 ** (-50.0 / 20.0)
_GROUPS_HZ = ((60.0, 250.0), (250.0, 700.0), (700.0, 2000.0), (2000.0, 5000.0), (5000.0, 10_000.0))
_GAIN_RANGE_DB = 5.0


def too_quiet_note(rms: float) -> Note | None:
    """Say that the clip is too quiet; ``rms`` relative to full scale."""
    level_db = 20.0 * float(np.log10(max(rms, 1e-9)))
    if level_db >= _TOO_QUIET_DB:
        return None
    return Note(
        "too_quiet",
        f"The recording is very quiet ({-level_db:.0f} dB below full scale), so the noise of the "
        "microphone may "
        "cover what matters. Hold the phone about half a metre to a metre from the engine bay with "
        "nothing over "
        "its microphone, and record again.",
    )


def dropout_spans(magnitude: FloatArray, sample_rate_hz: int) -> tuple[Span, ...]:
    """Find stretches inside the clip where the sound is gone (8 ms or more, 50 dB under the rest).

    magnitude: absolute samples, shape (n,). Silence before the first and after the last sound is left out.
    """
    block = max(2, round(_DROPOUT_BLOCK_S * sample_rate_hz))
    peaks = magnitude[: magnitude.size // block * block].reshape(-1, block).max(axis=1)
    typical = float(np.median(peaks))
    if typical == 0.0:
        typical = float(peaks.max())
    silent = peaks < typical * _DROPOUT_BELOW
    sounding = np.flatnonzero(~silent)
    if sounding.size == 0:
        return ()
    silent[: sounding[0]] = False
    silent[sounding[-1] :] = False
    step_s = block / sample_rate_hz
    return spans_of(silent, step_s, join_s=0.02, shortest_s=2 * step_s * 0.99)


def _lines_stand(spectra: Spectra, moved: np.ndarray) -> bool:
    """Tell whether the lines of 20 to 300 Hz lie in the same places while the level is different.

    Where they do not, or are not the same even between blocks of one level, the speed may have changed.
    """
    from scipy import fft, ndimage

    signal, rate_hz = spectra.low_signal, spectra.low_rate_hz
    length = 1 << round(np.log2(rate_hz * 0.512))
    frames = signal[: signal.size // length * length].reshape(-1, length)
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    bins = round(300.0 / rate_hz * length)
    level_db = 20.0 * np.log10(np.abs(fft.rfft(frames * window, axis=1)[:, 8:bins]) + 1e-9)
    lines = np.clip(level_db - running_median(level_db, 25, axis=1), 0.0, 25.0)
    lines = ndimage.gaussian_filter1d(lines, 1.0, axis=1)
    when = (np.arange(frames.shape[0]) + 0.5) * length / rate_hz / spectra.block_s
    is_moved = moved[np.minimum(when.astype(int), moved.size - 1)]
    still = lines[~is_moved]
    if still.shape[0] < 4 or not np.any(is_moved):
        return False
    halves = _likeness(still[::2].mean(axis=0), still[1::2].mean(axis=0))
    across = _likeness(still.mean(axis=0), lines[is_moved].mean(axis=0))
    return halves > 0.5 and across >= 0.5 * halves


def _likeness(one: np.ndarray, other: np.ndarray) -> float:
    """Correlation of two spectra of lines; 0 where one holds no line at all, which is like nothing."""
    if not (np.ptp(one) > 0.0 and np.ptp(other) > 0.0):
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def gain_note(spectra: Spectra, upper_hz: float) -> Note | None:
    """Say that one gain moved all of the sound up and down together, as automatic level control does.

    Each of up to five bands gives a track of its level in half-second blocks; a gain moves them all by the
    same
    number of decibels and leaves the shape of the spectrum alone, which a change of engine speed or load
    does not.
    """
    level_db = 10.0 * np.log10(spectra.power + 1e-14)
    if level_db.shape[0] < 8:
        return None
    used = (spectra.frequency_hz >= 60.0) & (spectra.frequency_hz <= min(10_000.0, 0.9 * upper_hz))
    relative = level_db[:, used] - np.median(level_db[:, used], axis=0)
    common = np.median(relative, axis=1)
    spread = float(np.quantile(common, 0.95) - np.quantile(common, 0.05))
    if spread < _GAIN_RANGE_DB:
        return None
    frequency_hz = spectra.frequency_hz[used]
    centred = common - np.mean(common)
    for low_hz, high_hz in _GROUPS_HZ:
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        if np.count_nonzero(inside) < 5:
            continue
        track = np.mean(relative[:, inside], axis=1)
        track = track - np.mean(track)
        slope = float(np.dot(track, centred) / np.dot(centred, centred))
        rest = float(np.std(track - slope * centred))
        if not 0.8 < slope < 1.25 or rest > 0.3 * float(np.std(centred)) + (0.9 if high_hz <= 700.0 else 0.4):
            return None
    residual = np.median(np.abs(relative - common[:, None]), axis=1)
    moved = np.abs(common - np.median(common)) > 2.5
    if (
        np.any(moved)
        and np.any(~moved)
        and np.median(residual[moved]) > 1.5 * np.median(residual[~moved]) + 0.3
    ):
        return None
    if not _lines_stand(spectra, moved):
        return None
    low = spans_of(common < np.median(common) - 2.5, spectra.block_s, join_s=0.6)
    high = spans_of(common > np.median(common) + 2.5, spectra.block_s, join_s=0.6)
    return Note(
        "gain_moves",
        f"The level of the whole sound moves by {spread:.0f} dB, all pitches together: the phone's "
        "automatic level "
        "control (or a hand over the microphone, or a change of distance) and not the car. Louder "
        "and quieter "
        "parts cannot be compared. Keep the phone still, and use a recorder that lets the level be fixed.",
        tuple(sorted(low + high)),
    )
