"""The sound inside a page: AAC in MP4, which every phone plays, at rates that keep the page small."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from audiodiag.orders.parts import ListeningParts
from audiodiag.records import Clip, FloatArray

__all__ = ["MOST_SOUND_BYTES", "PageSound", "SoundPlan", "encoded_aac", "page_sounds", "sound_plan"]

MOST_SOUND_BYTES = 1_750_000
"""Bytes of sound that one page may hold before they are written as text, which makes them a third longer."""
WHOLE_BIT_RATE, PART_BIT_RATE = 64_000, 40_000
LEAST_WHOLE_BIT_RATE, LEAST_PART_BIT_RATE = 32_000, 24_000
SILENT_DB = -60.0
"""A part this far below the clip is left out of the page."""
PEAK = 0.89
MOST_GAIN = 31.6
_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)


@dataclass(frozen=True)
class PageSound:
    """One sound of the page: ``whole`` or the name of a part, and its bytes."""

    name: str
    content: bytes


@dataclass(frozen=True)
class SoundPlan:
    """How a clip is put into a page: bit rates of the whole and of each part (0: without), and its length."""

    whole_bit_rate: int
    part_bit_rate: int
    seconds: float


def sound_plan(duration_s: float, parts: int, most_bytes: int) -> SoundPlan:
    """Choose bit rates so that whole and parts stay within the bytes; else the whole, or its beginning.

    >>> sound_plan(30.0, 6, 1_750_000)
    SoundPlan(whole_bit_rate=64000, part_bit_rate=40000, seconds=30.0)
    >>> sound_plan(600.0, 6, 1_750_000)
    SoundPlan(whole_bit_rate=32000, part_bit_rate=0, seconds=437.5)
    """
    bits = 8.0 * most_bytes / max(duration_s, 0.1)
    wanted = WHOLE_BIT_RATE + parts * PART_BIT_RATE
    if parts and bits >= LEAST_WHOLE_BIT_RATE + parts * LEAST_PART_BIT_RATE:
        share = min(1.0, bits / wanted)
        return SoundPlan(
            max(LEAST_WHOLE_BIT_RATE, int(share * WHOLE_BIT_RATE)),
            max(LEAST_PART_BIT_RATE, int(share * PART_BIT_RATE)),
            duration_s,
        )
    whole = int(min(WHOLE_BIT_RATE, max(LEAST_WHOLE_BIT_RATE, bits)))
    return SoundPlan(whole, 0, min(duration_s, 8.0 * most_bytes / whole))


def page_sounds(
    clip: Clip, parts: ListeningParts | None, *, most_bytes: int = MOST_SOUND_BYTES
) -> tuple[tuple[PageSound, ...], SoundPlan, float]:
    """Give the sounds of a page, how they were put into it, and the gain in dB that all were given."""
    heard = [] if parts is None else [(n, p) for n, p in parts.items() if _audible(p, clip.samples)]
    plan = sound_plan(clip.duration_s, len(heard), most_bytes)
    loudest = max([float(np.max(np.abs(s), initial=0.0)) for _, s in [("whole", clip.samples), *heard]])
    gain = min(MOST_GAIN, PEAK / loudest) if loudest > 0 else 1.0
    end = round(plan.seconds * clip.sample_rate_hz)
    sounds = [
        PageSound("whole", encoded_aac(gain * clip.samples[:end], clip.sample_rate_hz, plan.whole_bit_rate))
    ]
    if plan.part_bit_rate:
        sounds += [
            PageSound(name, encoded_aac(gain * part[:end], clip.sample_rate_hz, plan.part_bit_rate))
            for name, part in heard
        ]
    return tuple(sounds), plan, 20.0 * float(np.log10(gain))


def encoded_aac(samples: FloatArray, rate_hz: int, bit_rate: int) -> bytes:
    """Give a sound (float, shape (n,), full scale 1) as AAC-LC in MP4, without any tag."""
    import av

    av.logging.set_level(None)
    rate = min(_RATES_HZ, key=lambda known: (abs(known - rate_hz), -known))
    held = io.BytesIO()
    with av.open(held, "w", format="mp4", options={"fflags": "+bitexact"}) as out:
        stream = out.add_stream("aac", rate=rate, options={"flags": "+bitexact"})
        stream.codec_context.layout = "mono"
        stream.codec_context.bit_rate = min(bit_rate, 6 * rate)
        resampler = av.AudioResampler(format="fltp", layout="mono", rate=rate, frame_size=1024)
        sound = np.ascontiguousarray(np.asarray(samples, dtype=np.float32)[None, :])
        frame = av.AudioFrame.from_ndarray(sound, format="fltp", layout="mono")
        frame.sample_rate = rate_hz
        for piece in (*resampler.resample(frame), *resampler.resample(None)):
            out.mux(stream.encode(piece))
        out.mux(stream.encode(None))
    return held.getvalue()


def _audible(part: FloatArray, whole: FloatArray) -> bool:
    mine, all_of_it = (float(np.mean(np.square(x, dtype=np.float64))) for x in (part, whole))
    return mine > all_of_it * 10.0 ** (SILENT_DB / 10.0)
