"""Recordings without what tells where, when and with what they were made.

The sound itself is copied packet by packet, without being coded anew; containers, tags, pictures, video and
place tracks around it are left behind. Where the kind of file cannot be written so, and for plain samples,
the sound becomes FLAC, which loses nothing of what was decoded. In either case the result is read again: any
tag left over is an error and not a remark.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.errors import ParcelError
from audiodiag.records import Clip, FloatArray

__all__ = ["SIMULATED_TITLE", "Stripped", "Tag", "all_channels", "flac_of", "strip_recording", "tags_of"]

_COPIES = {
    "aac": ("mp4", ".m4a"),
    "alac": ("mp4", ".m4a"),
    "opus": ("ogg", ".opus"),
    "vorbis": ("ogg", ".ogg"),
    "mp3": ("mp3", ".mp3"),
    "amrnb": ("3gp", ".3gp"),
    "amrwb": ("3gp", ".3gp"),
}
"""Into which container the packets of a coding are copied, and the ending of its file."""
_OF_THE_FORMAT = {
    "major_brand",
    "minor_version",
    "compatible_brands",
    "language",
    "handler_name",
    "vendor_id",
}
"""Entries that every file of a format carries; they are shown as removed only where they say more."""
_PLAIN_HANDLERS = {"", "soundhandler", "videohandler", "[0][0][0][0]", "und", "core media audio"}
SIMULATED_TITLE = "simulated"
"""The one tag that is put back, so that a simulated clip is called simulated wherever it goes."""


@dataclass(frozen=True)
class Tag:
    """One entry of what a file tells beside its sound: where it stood, its name, what it said."""

    place: str
    name: str
    value: str


@dataclass(frozen=True)
class Stripped:
    """A recording fit to be sent. ``how``: ``copied`` (packets as received) or ``flac``."""

    content: bytes
    ending: str
    how: str
    removed: tuple[Tag, ...]


def tags_of(source: str | Path | bytes) -> tuple[Tag, ...]:
    """Give what a media file tells beside its sound: tags, and tracks that are no sound.

    Entries that only name the format (its brands, its plain track names) are left out.

    >>> tags_of(flac_of(np.zeros((1, 48000), np.float32), 48000))
    ()
    """
    import av

    av.logging.set_level(None)
    opened = io.BytesIO(source) if isinstance(source, bytes) else str(source)
    found: list[Tag] = []
    with av.open(opened, metadata_errors="replace") as media:
        found += _entries("file", media.metadata)
        for number, stream in enumerate(media.streams, 1):
            place = f"track {number}"
            if stream.type != "audio":
                found.append(Tag(place, "track", f"a {stream.type} track"))
            found += _entries(place, stream.metadata)
    return tuple(found)


def strip_recording(path: str | Path, *, simulated: bool = False, as_flac: bool = False) -> Stripped:
    """Give a recording without anything but its sound.

    Parameters
    ----------
    path:
        A recording that PyAV reads.
    simulated:
        Whether the clip is simulated, so that its title says so again.
    as_flac:
        Whether the sound is to become FLAC also where its packets could be copied.

    Raises
    ------
    ParcelError
        Where something of the removed is left in the result, or the sound cannot be read.
    """
    removed = tags_of(path)
    made = None if as_flac else _copied(Path(path), simulated)
    how = "copied"
    if made is None or _left(made[0], simulated):
        how, made = "flac", (flac_of(*_decoded(Path(path)), simulated=simulated), ".flac")
    content, ending = made
    left = _left(content, simulated)
    if left:
        raise ParcelError(
            f"{Path(path).name} cannot be freed of what it tells beside its sound",
            got=", ".join(f"{tag.name} = {tag.value}" for tag in left),
            allowed="a file that holds sound and nothing else",
            todo="export the clip as wav and pack that",
        )
    kept = {(tag.place, tag.name, tag.value) for tag in tags_of(content)}
    return Stripped(content, ending, how, tuple(t for t in removed if (t.place, t.name, t.value) not in kept))


def flac_of(samples: FloatArray, rate_hz: int, *, simulated: bool = False) -> bytes:
    """Give sound (float, shape (channels, n), full scale 1) as FLAC of 24 bits without tags."""
    import soundfile

    held = io.BytesIO()
    channels = samples.shape[0]
    with soundfile.SoundFile(
        held, "w", samplerate=rate_hz, channels=channels, format="FLAC", subtype="PCM_24"
    ) as file:
        if simulated:
            file.title = SIMULATED_TITLE
        steps = np.round(np.clip(samples.T.astype(np.float64), -1.0, 1.0 - 2.0**-23) * 2.0**23)
        file.write(steps.astype(np.int32) * np.int32(256))
    return held.getvalue()


def all_channels(clip: Clip) -> FloatArray:
    """Give all channels of a clip in the order of its file, shape (channels, n)."""
    if clip.other_channels is None:
        return np.asarray(clip.samples)[None, :]
    rows = list(clip.other_channels)
    rows.insert(clip.channel_used - 1, clip.samples)
    return np.stack(rows)


def _entries(place: str, table: dict[str, str]) -> list[Tag]:
    return [
        Tag(place, str(name), str(value))
        for name, value in table.items()
        if not (
            name.lower() in _OF_THE_FORMAT
            and (
                name.lower() in ("major_brand", "minor_version", "compatible_brands")
                or str(value).strip().lower() in _PLAIN_HANDLERS
                or name.lower() == "language"
            )
        )
    ]


def _left(content: bytes, simulated: bool) -> list[Tag]:
    """Tags in the result that were not meant to be there."""
    wanted = {("title", SIMULATED_TITLE)} if simulated else set()
    return [tag for tag in tags_of(content) if (tag.name.lower(), tag.value) not in wanted]


def _copied(path: Path, simulated: bool) -> tuple[bytes, str] | None:
    """Copy the packets of the best sound track into a fresh file; None where that cannot be done."""
    import av

    av.logging.set_level(None)
    try:
        with av.open(str(path), metadata_errors="ignore") as media:
            sounds = [s for s in media.streams if s.type == "audio" and s.codec_context is not None]
            if len(sounds) != 1:
                return None
            (sound,) = sounds
            coding = sound.codec_context.codec.canonical_name.replace("_", "")
            kind = _COPIES.get(coding)
            if kind is None:
                return None
            return _muxed(media, sound, kind[0], simulated), kind[1]
    except (av.error.FFmpegError, OSError, ValueError, TypeError):
        return None


def _muxed(media: Any, sound: Any, form: str, simulated: bool) -> bytes:
    import av

    held = io.BytesIO()
    options = {"fflags": "+bitexact"}
    if form == "mp3":
        options |= {"id3v2_version": "3" if simulated else "0", "write_xing": "0"}
    with av.open(held, "w", format=form, options=options) as out:
        if simulated:
            out.metadata["title"] = SIMULATED_TITLE
        track = out.add_stream_from_template(sound)
        for packet in media.demux(sound):
            if packet.size == 0:
                continue
            packet.stream = track
            out.mux(packet)
    return held.getvalue()


def _decoded(path: Path) -> tuple[FloatArray, int]:
    """Decode a recording as the clip room does, all channels at the rate of the file."""
    from audiodiag.clip import read_clip

    clip = read_clip(path)
    return all_channels(clip), clip.sample_rate_hz
