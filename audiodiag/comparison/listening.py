"""Before and after in turn, at equal engine loudness: what to listen to with one's own ears.

The loudest stretch of each side is cut out, both are set to the same level of the engine's own lines and to
the band of the poorer recording, and they are put one after the other, before first, with a short silence
between.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.comparison.strengths import Strengths
from audiodiag.errors import UsageError
from audiodiag.records import Clip, FloatArray, read_only

__all__ = ["Alternation", "alternate", "alternation_flac"]

PART_S = 2.5
PAUSE_S = 0.4
FADE_S = 0.03
TURNS = 3
PEAK = 0.7


@dataclass(frozen=True, eq=False)
class Alternation:
    """Parts of both sides in turn. samples: float32, shape (n,), full scale 1.

    spans_s: for every part, its side ("before" or "after") and when it sounds, in seconds. gain_db: what was
    added to the after side so that both engines are equally loud.
    """

    samples: FloatArray
    sample_rate_hz: int
    spans_s: tuple[tuple[str, float, float], ...]
    gain_db: float


def alternate(
    before: Clip,
    after: Clip,
    *,
    start_s: tuple[float, float],
    engines: tuple[Strengths, Strengths],
    band_hz: tuple[float, float],
    part_s: float = PART_S,
    names: tuple[str, str] = ("before", "after"),
) -> Alternation:
    """Put parts of two clips in turn, three times, at equal engine loudness.

    Parameters
    ----------
    before, after:
        The clips.
    start_s:
        Where the part begins in each, in seconds.
    engines:
        The engine's bands in each, from ``strengths.engine_bands``, relative to each clip's own power.
    band_hz:
        What both carry; the rest is cut off.
    part_s:
        Length of a part.

    Raises
    ------
    UsageError
        If a clip is shorter than half a second.
    """
    rate = min(before.sample_rate_hz, after.sample_rate_hz)
    parts, powers = [], []
    for clip, start in zip((before, after), start_s, strict=True):
        if clip.duration_s < 0.5:
            raise UsageError(
                f"{clip.name} is too short to listen to",
                got=f"{clip.duration_s:.1f} s",
                allowed="at least 0.5 s",
                todo="record again",
            )
        first = min(max(start, 0.0), max(clip.duration_s - part_s, 0.0))
        a, b = round(first * clip.sample_rate_hz), round((first + part_s) * clip.sample_rate_hz)
        parts.append(_faded(_resampled(clip.samples[a:b], clip.sample_rate_hz, rate, band_hz), rate))
        powers.append(float(np.mean(np.square(clip.samples, dtype=np.float64))))
    difference = _engine_difference_db(engines) + 10.0 * math.log10(
        max(powers[1], 1e-12) / max(powers[0], 1e-12)
    )
    parts[1] = parts[1] * np.float32(10.0 ** (-difference / 20.0))
    peak = max(float(np.abs(part).max()) for part in parts) or 1.0
    pause = np.zeros(round(PAUSE_S * rate), np.float32)
    pieces: list[FloatArray] = []
    spans: list[tuple[str, float, float]] = []
    now = 0.0
    for _ in range(TURNS):
        for name, part in zip(names, parts, strict=True):
            pieces += [part * np.float32(PEAK / peak), pause]
            spans.append((name, round(now, 3), round(now + len(part) / rate, 3)))
            now += (len(part) + len(pause)) / rate
    return Alternation(read_only(np.concatenate(pieces[:-1])), rate, tuple(spans), -difference)


def alternation_flac(made: Alternation, *, title: str) -> bytes:
    """Give the alternation as the bytes of a FLAC file of 16 bit, its title in the metadata."""
    import soundfile

    buffer = io.BytesIO()
    with soundfile.SoundFile(buffer, "w", made.sample_rate_hz, 1, "PCM_16", format="FLAC") as file:
        file.title = title
        file.write(np.clip(made.samples, -1.0, 1.0))
    return buffer.getvalue()


def _engine_difference_db(engines: tuple[Strengths, Strengths]) -> float:
    """Median difference of the engine's clear bands, after less before, each relative to its clip; 0
    if none."""
    one, two = engines
    with np.errstate(invalid="ignore"):
        clear = (one.power > 3.0 * one.error) & (two.power > 3.0 * two.error)
    return float(np.median(10.0 * np.log10(two.power[clear] / one.power[clear]))) if clear.any() else 0.0


def _resampled(samples: FloatArray, rate: int, new_rate: int, band_hz: tuple[float, float]) -> FloatArray:
    """Cut to a band and bring to another rate through the spectrum."""
    count = len(samples)
    spectrum = scipy.fft.rfft(np.asarray(samples, np.float32))
    hz = np.arange(len(spectrum)) * rate / count
    spectrum[(hz > min(band_hz[1], 0.49 * new_rate)) | (hz < 0.5 * band_hz[0])] = 0.0
    new_count = round(count * new_rate / rate)
    out = scipy.fft.irfft(spectrum[: new_count // 2 + 1], new_count) * (new_count / count)
    return np.asarray(out, np.float32)


def _faded(part: FloatArray, rate: int) -> FloatArray:
    count = min(round(FADE_S * rate), len(part) // 4)
    ramp = np.linspace(0.0, 1.0, count, dtype=np.float32)
    out = np.array(part, np.float32)
    out[:count] *= ramp
    out[-count:] *= ramp[::-1]
    return out
