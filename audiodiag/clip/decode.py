"""From a file of any container and coding to channels of samples, with nothing lost silently.

Decoding goes by content, never by the file's name. Stated lengths are kept (AAC fills its last frame),
gaps in
the time stamps become silence, damaged stretches are skipped and said, and a recording over the limit is
refused before it is decoded whole where the container tells its length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from audiodiag.clip.sniff import ACCEPTED
from audiodiag.errors import ClipError
from audiodiag.records import FloatArray, Note, Span

__all__ = ["MAX_DURATION_S", "MAX_SAMPLES_IN_ALL", "Decoded", "decode_file"]

MAX_DURATION_S = 20 * 60.0
"""Longest recording that is taken, in seconds."""
MAX_SAMPLES_IN_ALL = 128_000_000
"""Most samples over all channels that are held in memory (half a gigabyte)."""

_MAX_STREAMS = 4
_GAP_S = 0.03
_LONGEST_FILLED_GAP_S = 10.0
_PADDING_S = 0.2
_MOST_DAMAGED_FIRST = 2000
"""Packets in vain after which a stream that has given nothing yet is left alone."""
_CONTAINERS = (
    "mov,matroska,webm,ogg,wav,w64,aiff,flac,mp3,aac,amr,amrnb,amrwb,caf,au,asf,avi,mpegts,mpeg,ac3,eac3,flv"
)
_LENGTH_IS_ESTIMATED = ("mp3", "aac", "amr", "amrnb", "amrwb", "mpegts", "mpeg", "ac3", "eac3", "ogg")
_INTEGER_SCALE = {"u8": 2.0**7, "s16": 2.0**15, "s32": 2.0**31, "s64": 2.0**63}


@dataclass(frozen=True, eq=False)
class Decoded:
    """All channels of one sound stream.

    channels: float32, shape (channels, n), full scale is 1. ``bit_rate`` in bits a second or None.
    ``titles``: the titles that the container and its streams carry, empty strings left out.
    """

    channels: FloatArray
    sample_rate_hz: int
    codec: str
    bit_rate: int | None
    notes: tuple[Note, ...]
    titles: tuple[str, ...] = ()


class _Nameless:
    """A file without its name, so that no decoder can go by the ending or read the name as an address."""

    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle

    def read(self, size: int) -> bytes:
        return self._handle.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._handle.seek(offset, whence)

    def tell(self) -> int:
        return self._handle.tell()


@dataclass
class _Collected:
    """Samples of one stream while they come in."""

    codec: str
    stated_s: float | None
    stated_bit_rate: int | None
    chunks: list[FloatArray] = field(default_factory=list)
    shape: tuple[int, int] | None = None  # rate, channels
    written: int = 0
    first_time_s: float | None = None
    packed_bytes: int = 0
    damaged: int = 0
    gaps: list[Span] = field(default_factory=list)
    unfilled_gap: bool = False
    format_changed: bool = False

    @property
    def rate(self) -> int:
        return self.shape[0] if self.shape else 0

    @property
    def duration_s(self) -> float:
        return self.written / self.rate if self.rate else 0.0

    def take(self, frame: Any) -> None:
        samples = _to_float(frame)
        shape = (int(frame.sample_rate), samples.shape[0])
        if self.shape is None:
            self.shape = shape
        elif shape != self.shape:
            self.format_changed = True
            return
        if frame.pts is not None and frame.time_base is not None:
            time_s = float(frame.pts * frame.time_base)
            if self.first_time_s is None:
                self.first_time_s = time_s - self.duration_s
            missing_s = time_s - self.first_time_s - self.duration_s
            if missing_s > _LONGEST_FILLED_GAP_S:
                self.unfilled_gap = True
                self.first_time_s += missing_s
            elif missing_s > _GAP_S:
                missing = round(missing_s * self.rate)
                self.gaps.append((self.duration_s, self.duration_s + missing_s))
                self.chunks.append(np.zeros((shape[1], missing), dtype=np.float32))
                self.written += missing
        if not samples.shape[1]:
            return
        self.chunks.append(samples)
        self.written += samples.shape[1]


def _to_float(frame: Any) -> FloatArray:
    values = frame.to_ndarray()
    if not frame.format.is_planar:
        values = values.reshape(-1, frame.layout.nb_channels).T
    name = frame.format.name.removesuffix("p")
    with np.errstate(over="ignore", invalid="ignore"):
        if name in _INTEGER_SCALE:
            scale = _INTEGER_SCALE[name]
            floats = values.astype(np.float32)
            if name == "u8":
                floats -= scale
            floats *= np.float32(1.0 / scale)
            return floats
        return np.array(values, dtype=np.float32)


def _too_long(name: str, duration_s: float, *, at_least: bool) -> ClipError:
    words = "more than " if at_least else ""
    return ClipError(
        f"{name} is too long",
        got=f"{words}{duration_s / 60:.0f} minutes",
        allowed=f"at most {MAX_DURATION_S / 60:.0f} minutes",
        todo="cut out the part with the noise, half a minute to two minutes with the wheel turned from "
        "stop to stop, and give that",
    )


def _unreadable(name: str, size_bytes: int, head: bytes, reason: str) -> ClipError:
    if head[4:8] == b"ftyp" or b"mdat" in head[:64]:
        return ClipError(
            f"{name} cannot be opened, its table of contents is missing or broken",
            got=f"an unfinished or cut file of {size_bytes} bytes",
            allowed="a whole file",
            todo="copy it from the phone again as a file; if the recorder was interrupted, record again",
        )
    return ClipError(
        f"{name} cannot be read as sound",
        got=f"{size_bytes} bytes of {reason}",
        allowed=ACCEPTED,
        todo="play the file on the phone; if it plays there, send it again as a file, else record again",
    )


def _stated_s(container: Any, stream: Any) -> float | None:
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base)
    only_sound = all(other.type == "audio" for other in container.streams)
    if container.duration is not None and only_sound:
        return float(container.duration) / 1e6
    return None


def _is_protected(path: Path) -> bool:
    size = path.stat().st_size
    with path.open("rb") as handle:
        ends = handle.read(1 << 20)
        handle.seek(max(0, size - (1 << 20)))
        ends += handle.read(1 << 20)
    return b"sinf" in ends and any(mark in ends for mark in (b"enca", b"drms", b"schm"))


def _sound_streams(container: Any, path: Path) -> list[Any]:
    sounds = [stream for stream in container.streams if stream.type == "audio"]
    if not sounds:
        kinds = sorted({stream.type for stream in container.streams})
        what = "a video without a sound track" if "video" in kinds else "a file without a sound track"
        raise ClipError(
            f"{path.name} holds no sound",
            got=what,
            allowed=ACCEPTED,
            todo="switch the microphone on in the camera's settings, or use the voice recorder",
        )
    if _is_protected(path):
        raise ClipError(
            f"the sound in {path.name} is encrypted",
            got="a copy-protected file",
            allowed="a recording without copy protection",
            todo="give the recording as the phone's recorder saved it",
        )
    readable = [s for s in sounds if s.codec_context is not None and s.codec_context.codec is not None]
    if not readable:
        raise ClipError(
            f"the sound in {path.name} is in a coding that this program cannot read",
            got="an unknown or encrypted coding",
            allowed="AAC, ALAC, AMR, Opus, Vorbis, MP3, FLAC or plain samples",
            todo="set the recorder to m4a (AAC) or wav and record again, or export the clip in one of these",
        )
    return readable[:_MAX_STREAMS]


def _demuxed(container: Any, streams: list[Any], ends: list[str]) -> Iterator[Any]:
    """Yield packets until the end or until the container can no longer be followed (then ``ends`` is
    filled)."""
    packets = container.demux(*streams)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except Exception as error:
            ends.append(str(error))
            return
        yield packet


def _collect(container: Any, streams: list[Any], path: Path) -> tuple[dict[int, _Collected], bool]:
    collected: dict[int, _Collected] = {}
    estimated = any(part in _LENGTH_IS_ESTIMATED for part in container.format.name.split(","))
    for stream in streams:
        stated_s = _stated_s(container, stream)
        if stated_s is not None and stated_s > MAX_DURATION_S * (3.0 if estimated else 1.0):
            raise _too_long(path.name, stated_s, at_least=False)
        collected[stream.index] = _Collected(
            codec=stream.codec_context.codec.canonical_name,
            stated_s=stated_s,
            stated_bit_rate=stream.bit_rate,
        )
    held, ends = 0, list[str]()
    for packet in _demuxed(container, streams, ends):
        into = collected[packet.stream.index]
        into.packed_bytes += packet.size
        try:
            frames = packet.decode()
        except Exception:
            into.damaged += 1
            if into.damaged >= _MOST_DAMAGED_FIRST and not any(one.written for one in collected.values()):
                break
            continue
        for frame in frames:
            before = into.written
            if into.shape is None and frame.layout.nb_channels * frame.samples > MAX_SAMPLES_IN_ALL:
                raise _too_large(path.name, frame.layout.nb_channels)
            into.take(frame)
            held += (into.written - before) * (into.shape[1] if into.shape else 1)
            if into.duration_s > MAX_DURATION_S:
                raise _too_long(path.name, MAX_DURATION_S, at_least=True)
            if held > MAX_SAMPLES_IN_ALL:
                raise _too_large(path.name, into.shape[1] if into.shape else 1)
    return collected, bool(ends)


def _too_large(name: str, channels: int) -> ClipError:
    return ClipError(
        f"{name} is too large to be held in memory",
        got=f"more than {MAX_SAMPLES_IN_ALL / 1e6:.0f} million samples in {channels} channels",
        allowed=f"at most {MAX_SAMPLES_IN_ALL / 1e6:.0f} million samples over all channels",
        todo="cut out the part with the noise, or export fewer channels or a lower sample rate",
    )


def _notes_on(one: _Collected, channels: FloatArray, *, broken_end: bool, estimated: bool) -> list[Note]:
    notes: list[Note] = []
    duration_s = channels.shape[1] / one.rate
    allowance_s = max(1.0, 0.1 * (one.stated_s or 0.0)) if estimated else 0.15
    short = one.stated_s is not None and duration_s < one.stated_s - allowance_s
    if broken_end or short:
        stated = f" of the stated {one.stated_s:.1f} s" if short else ""
        notes.append(
            Note(
                "truncated",
                f"The file breaks off: {duration_s:.1f} s{stated} could be read and only these are judged. "
                "Send the clip again as a file, or let the recorder finish before the phone is put away.",
            )
        )
    if one.damaged and not (broken_end and one.damaged == 1):
        notes.append(
            Note(
                "damaged",
                f"{one.damaged} damaged pieces of the file could not be decoded and were left out or made "
                "silent. Copy the clip from the phone again as a file.",
            )
        )
    if one.gaps or one.unfilled_gap:
        total_s = sum(end - start for start, end in one.gaps)
        text = (
            f"The time stamps of the file leave gaps; {total_s:.2f} s in {len(one.gaps)} places were filled "
            "with silence so that the times stay right."
        )
        if one.unfilled_gap:
            text += f" A jump of more than {_LONGEST_FILLED_GAP_S:.0f} s was closed up instead."
        text += " Record with other programs on the phone closed, and send the file unchanged."
        notes.append(Note("gaps_filled", text, tuple(one.gaps)))
    if one.format_changed:
        notes.append(
            Note(
                "format_changed",
                "The sample rate or the number of channels changes inside the file; only the part like the "
                "beginning was read. Give each recording as a file of its own.",
            )
        )
    return notes


def decode_file(path: Path, *, head: bytes, broken_end: bool = False) -> Decoded:
    """Decode the best sound stream of a file.

    Parameters
    ----------
    path:
        An existing file.
    head:
        Its first bytes, for the words of a refusal.
    broken_end:
        Whether the file is already known to stop before its stated end.

    Raises
    ------
    ClipError
        No sound stream, an unknown or encrypted coding, longer than ``MAX_DURATION_S``, nothing decodable.

    Example
    -------
    >>> import tempfile, wave
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "clip.wav"
    ...     with wave.open(str(path), "wb") as out:
    ...         out.setparams((1, 2, 8000, 0, "NONE", ""))
    ...         out.writeframes(b"\\x00\\x40" * 8000)
    ...     decoded = decode_file(path, head=b"RIFF")
    >>> decoded.channels.shape, decoded.sample_rate_hz, float(decoded.channels[0, 0])
    ((1, 8000), 8000, 0.5)
    """
    import av

    av.logging.set_level(None)
    size_bytes = path.stat().st_size
    with path.open("rb") as handle:
        try:
            container = av.open(
                _Nameless(handle),
                mode="r",
                options={"format_whitelist": _CONTAINERS, "protocol_whitelist": "none"},
                metadata_errors="ignore",
            )
        except Exception as error:
            raise _unreadable(path.name, size_bytes, head, "no known kind of sound") from error
        try:
            with container:
                streams = _sound_streams(container, path)
                collected, followed_no_more = _collect(container, streams, path)
                titles = _titles(container)
                estimated = any(part in _LENGTH_IS_ESTIMATED for part in container.format.name.split(","))
        except ClipError:
            raise
        except Exception as error:
            raise _unreadable(path.name, size_bytes, head, "sound that cannot be decoded") from error
    with_sound = [one for one in collected.values() if one.written]
    if not with_sound:
        raise _unreadable(path.name, size_bytes, head, "damaged or encrypted sound, of which nothing decodes")
    best = max(with_sound, key=_stream_merit)
    channels = np.concatenate(best.chunks, axis=1)
    best.chunks.clear()
    if best.stated_s is not None and not estimated:
        wanted = round(best.stated_s * best.rate)
        if 0 < channels.shape[1] - wanted <= max(round(_PADDING_S * best.rate), 4096):
            channels = channels[:, :wanted]
    notes = _notes_on(best, channels, broken_end=broken_end or followed_no_more, estimated=estimated)
    if len(streams) > 1:
        number = list(collected.values()).index(best) + 1
        notes.append(
            Note(
                "stream_chosen",
                f"The file holds {len(streams)} sound tracks; track {number}, the longest with sound in it, "
                "was judged.",
                severity="info",
            )
        )
    bit_rate = best.stated_bit_rate
    if not bit_rate and best.duration_s > 0.0:
        bit_rate = round(8.0 * best.packed_bytes / best.duration_s)
    return Decoded(channels, best.rate, best.codec, bit_rate, tuple(notes), titles)


def _titles(container: Any) -> tuple[str, ...]:
    """Give the titles of a container and of its streams; no other tag (place, device, time) is looked at."""
    tags = [container.metadata, *(stream.metadata for stream in container.streams)]
    found = (value for table in tags for key, value in table.items() if key.lower() == "title")
    return tuple(str(value) for value in found if value)


def _stream_merit(one: _Collected) -> tuple[float, float]:
    """Order streams: length in whole seconds (the longest first), then the level of a sample of them."""
    stride = max(1, len(one.chunks) // 200)
    with np.errstate(invalid="ignore", over="ignore"):  # bytes that are no number may stand for a sample
        powers = [float(np.mean(np.square(chunk, dtype=np.float64))) for chunk in one.chunks[::stride]]
    powers = [power for power in powers if np.isfinite(power)]
    power = sum(powers) / len(powers) if powers else 0.0
    return (round(one.duration_s) if power > 1e-9 else 0.0, power)
