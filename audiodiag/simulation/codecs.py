"""Encode as phones do, and what a codec leaves of the sound."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.errors import UsageError
from audiodiag.records import FloatArray

from .settings import generator_for

__all__ = ["encode", "is_quick", "resample", "through_codec"]

_LIBRARY: dict[str, tuple[str, str, int | None]] = {
    "m4a": ("ipod", "aac", None),
    "opus": ("ogg", "libopus", 48000),
    "mp3": ("mp3", "libmp3lame", None),
    "3gp": ("3gp", "libopencore_amrnb", 8000),
}
_DEFAULT_BIT_RATE = {"m4a": 96_000, "opus": 32_000, "mp3": 96_000, "3gp": 12_200}
_ALIGN_SEARCH_S = 0.15


def resample(samples: FloatArray, rate: int, new_rate: int) -> FloatArray:
    """Change the sampling rate through the spectrum; shape (n,) to (round(n * new_rate / rate),).

    >>> len(resample(np.zeros(4800, np.float32), 48000, 8000))
    800
    """
    from scipy.signal import resample_poly

    if rate == new_rate:
        return np.asarray(samples, np.float32)
    common = int(np.gcd(rate, new_rate))
    out = resample_poly(samples, new_rate // common, rate // common)
    return np.asarray(out[: round(len(samples) * new_rate / rate)], np.float32)


def encode(
    samples: FloatArray,
    rate: int,
    path: Path | str,
    codec: str,
    bit_rate: int | None = None,
    *,
    title: str | None = None,
    quick: bool = False,
) -> Path:
    """Write samples, float shape (n,), full scale 1, to a file as a phone would; give its path.

    codec: m4a (AAC), opus, mp3, 3gp (AMR narrow-band, resampled to 8 kHz), wav or flac (16 bit).
    ``title`` goes into the file's metadata. ``quick``: AAC by a search that costs a third; it keeps more of
    the sound at high bit rates, and less at low ones, than the thorough search.
    Raises UsageError for an unknown codec.
    """
    data = _encoded(samples, rate, codec, bit_rate, title, quick=quick)
    target = Path(path)
    target.write_bytes(data)
    return target


def is_quick(seed: int) -> bool:
    """Whether a seed's phone encodes AAC by the quick search: half of them do."""
    return bool(generator_for(seed, "encoder").random() < 0.5)


def _encoded(
    samples: FloatArray, rate: int, codec: str, bit_rate: int | None, title: str | None, *, quick: bool
) -> bytes:
    buffer = io.BytesIO()
    if codec in {"wav", "flac"}:
        import soundfile

        with soundfile.SoundFile(buffer, "w", rate, 1, "PCM_16", format=codec.upper()) as file:
            if title:
                file.title = title
            file.write(np.clip(samples, -1, 1))
        return buffer.getvalue()
    if codec not in _LIBRARY:
        raise UsageError(
            "unknown codec",
            got=repr(codec),
            allowed="wav, flac, m4a, opus, mp3, 3gp",
            todo="use one of these",
        )
    import av

    container_name, library, fixed_rate = _LIBRARY[codec]
    new_rate = fixed_rate or rate
    sound = np.clip(resample(samples, rate, new_rate), -1, 1)
    with av.open(buffer, "w", format=container_name) as container:
        if title:
            container.metadata["title"] = title
        stream: Any = container.add_stream(library, rate=new_rate)
        stream.layout = "mono"
        stream.bit_rate = bit_rate or _DEFAULT_BIT_RATE[codec]
        formats = [f.name for f in stream.codec_context.codec.audio_formats]
        integer = np.round(sound * 32767).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(integer[None, :], format="s16", layout="mono")
        frame.sample_rate = new_rate
        frame.pts = 0
        wanted = "s16" if "s16" in formats else formats[0]
        context = stream.codec_context
        context.format = wanted
        if library == "aac":
            context.options = {"aac_coder": "fast" if quick else "twoloop"}
        context.open()
        converter = av.AudioResampler(
            format=wanted, layout="mono", rate=new_rate, frame_size=context.frame_size or None
        )
        for piece in [*converter.resample(frame), *converter.resample(None)]:
            for packet in stream.encode(piece):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return buffer.getvalue()


def through_codec(
    samples: FloatArray, rate: int, codec: str, bit_rate: int | None = None, *, quick: bool = False
) -> FloatArray:
    """Encode and decode in memory: what the codec leaves, shape (n,) at the same rate, without its delay.

    The delay is found by correlating with the input, to the sample.
    """
    data = _encoded(samples, rate, codec, bit_rate, None, quick=quick)
    n = len(samples)
    if codec in {"wav", "flac"}:
        import soundfile

        out, _ = soundfile.read(io.BytesIO(data), dtype="float32")
        return out
    import av

    pieces = []
    with av.open(io.BytesIO(data), "r") as container:
        file_rate = container.streams.audio[0].rate
        converter = av.AudioResampler(format="fltp", layout="mono", rate=file_rate)
        for frame in container.decode(audio=0):
            pieces += [piece.to_ndarray()[0] for piece in converter.resample(frame)]
    decoded = resample(np.concatenate(pieces).astype(np.float32), file_rate, rate)
    delay = _delay(samples, decoded, int(_ALIGN_SEARCH_S * rate))
    decoded = decoded[delay:] if delay >= 0 else np.concatenate([np.zeros(-delay, np.float32), decoded])
    out = np.zeros(n, np.float32)
    out[: min(n, len(decoded))] = decoded[:n]
    return out


def _delay(reference: FloatArray, late: FloatArray, most: int) -> int:
    """Samples by which ``late`` lags ``reference``, found by correlation of the first seconds."""
    from scipy import fft as sfft

    n = min(len(reference), len(late), 1 << 17)
    size = sfft.next_fast_len(n + 2 * most, real=True)
    cross = sfft.irfft(sfft.rfft(late[:n], size) * np.conj(sfft.rfft(reference[:n], size)), size)
    lags = np.concatenate([cross[: most + 1], cross[-most:]])
    best = int(np.argmax(lags))
    return best if best <= most else best - len(lags)
