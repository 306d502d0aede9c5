"""What a file is by its first bytes: files that hold no sound are refused in words before any decoder sees
them."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from audiodiag.errors import ClipError

__all__ = [
    "ACCEPTED",
    "HEAD_BYTES",
    "ending_is_missing",
    "refuse_empty_shape",
    "refuse_what_is_no_sound",
    "title_of_3gp",
]

ACCEPTED = "a sound or video file with sound: m4a, mp4, mov, 3gp, amr, ogg, webm, mp3, wav, flac or aiff"
HEAD_BYTES = 4096
_OGG_PAGE_BYTES = 65307
_TITLE_SEARCH_BYTES = 1 << 20

_MAGIC: tuple[tuple[bytes, str, str], ...] = (
    (b"PK\x03\x04", "a zip archive", "unpack it and give the sound file that is inside"),
    (b"Rar!", "an archive", "unpack it and give the sound file that is inside"),
    (b"7z\xbc\xaf", "an archive", "unpack it and give the sound file that is inside"),
    (b"\x1f\x8b", "a packed file", "unpack it and give the sound file that is inside"),
    (b"%PDF", "a document", "give the recording itself"),
    (b"\x89PNG", "a picture", "give the recording, not a picture of it"),
    (b"\xff\xd8\xff", "a picture", "give the recording, not a picture of it"),
    (b"GIF8", "a picture", "give the recording, not a picture of it"),
    (b"MThd", "a file of notes to be played, without sound", "give the recording itself"),
    (b"SQLite format 3", "a database", "give the recording itself"),
    (b"\x7fELF", "a program", "give the recording itself"),
)


def _is_text(head: bytes) -> bool:
    if head.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")):
        return True
    if b"\x00" in head:
        return False
    printable = sum(byte in b"\t\n\r\f" or byte >= 32 for byte in head)
    if printable < 0.99 * len(head):
        return False
    try:
        head[: max(len(head) - 3, 1)].decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start >= len(head) - 8
    return True


def refuse_what_is_no_sound(head: bytes, name: str) -> None:
    """Refuse text, web pages, archives, pictures and documents, whatever the file is called.

    Raises
    ------
    ClipError
        Saying what the file is instead of sound.

    >>> refuse_what_is_no_sound(b"Dear workshop, the noise is...", "noise.m4a")
    Traceback (most recent call last):
    audiodiag.errors.ClipError: noise.m4a holds no sound (got a text file; allowed: a sound or video file ...
    """
    for magic, kind, todo in _MAGIC:
        if head.startswith(magic):
            raise ClipError(f"{name} holds no sound", got=kind, allowed=ACCEPTED, todo=todo)
    if not _is_text(head):
        return
    start = head.lstrip()[:200].lower()
    if start.startswith((b"<!doctype html", b"<html")):
        kind, todo = "a web page", "open the link in a browser, save the recording itself and give that file"
    elif start.startswith(b"#extm3u"):
        kind, todo = "a play list", "give the recording that the list points to"
    else:
        kind, todo = "a text file", "give the recording itself; a new name does not turn a text into sound"
    raise ClipError(f"{name} holds no sound", got=kind, allowed=ACCEPTED, todo=todo)


def refuse_empty_shape(head: bytes, name: str) -> None:
    """Refuse a wav or aiff file whose header states no channel or no sample rate, before it is read through.

    The places of the numbers: chunk ``fmt`` of a wav file, channels and rate after the coding; chunk ``COMM``
    of an aiff file, channels first, and at the end the rate as a number of ten bytes (both from memory).

    >>> head = b"RIFF\\x24\\x00\\x00\\x00WAVEfmt \\x10\\x00\\x00\\x00\\x01\\x00" + bytes(14)
    >>> refuse_empty_shape(head, "clip.wav")
    Traceback (most recent call last):
    audiodiag.errors.ClipError: clip.wav says that it has no channel (got a header with 0 channels; ...
    """
    riff, form = head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE", head[:4] == b"FORM"
    if not riff and not (form and head[8:11] == b"AIF"):
        return
    order: Literal["little", "big"] = "little" if riff else "big"
    at = 12
    while at + 24 <= len(head):
        kind, size = head[at : at + 4], int.from_bytes(head[at + 4 : at + 8], order)
        if kind in (b"fmt ", b"COMM"):
            first = at + (10 if riff else 8)
            channels = int.from_bytes(head[first : first + 2], order)
            has_rate = any(head[first + 2 : first + 6] if riff else head[at + 16 : at + 26])
            if channels and has_rate:
                return
            raise ClipError(
                f"{name} says that it has no {'channel' if not channels else 'sample rate'}",
                got=f"a header with {'0 channels' if not channels else 'a sample rate of 0'}",
                allowed="at least one channel and a sample rate",
                todo="export the recording again, or give it as the phone saved it",
            )
        at += 8 + size + size % 2


def ending_is_missing(path: Path, head: bytes, size_bytes: int) -> bool:
    """Tell whether a wav, aiff or ogg file stops before its own stated end.

    A wav or aiff file states its size in bytes 4 to 7; the last page of an ogg stream carries a flag
    (RFC 3533, section 6: header type 4, end of stream).
    """
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        stated = int.from_bytes(head[4:8], "little")
        return stated not in (0, 0xFFFFFFFF) and stated > size_bytes - 8 + 1
    if head[:4] == b"FORM" and head[8:11] == b"AIF":
        stated = int.from_bytes(head[4:8], "big")
        return stated not in (0, 0xFFFFFFFF) and stated > size_bytes - 8 + 1
    if head[:4] == b"OggS":
        with path.open("rb") as handle:
            handle.seek(max(0, size_bytes - _OGG_PAGE_BYTES - 27))
            tail = handle.read()
        page = tail.rfind(b"OggS")
        return page < 0 or len(tail) < page + 6 or not tail[page + 5] & 4
    return False


def title_of_3gp(path: Path, head: bytes) -> str:
    """Give the title of a 3gp file, an empty string for other files and where there is none.

    The title stands in a box named ``titl`` (3GPP TS 26.244, clause 8: size, name, version, language, text;
    the clause from memory), which decoders do not hand on. It is looked for in the first and last megabyte.
    """
    if head[4:8] != b"ftyp" or head[8:10] != b"3g":
        return ""
    with path.open("rb") as handle:
        start = handle.read(_TITLE_SEARCH_BYTES)
        handle.seek(max(0, path.stat().st_size - _TITLE_SEARCH_BYTES))
        ends = (start, handle.read())
    for data in ends:
        at = data.find(b"titl")
        while at >= 4:
            size = int.from_bytes(data[at - 4 : at], "big")
            text = data[at + 10 : at - 4 + size]
            if 14 < size <= 1024 and len(text) == size - 14:
                coding = "utf-16" if text[:2] in (b"\xfe\xff", b"\xff\xfe") else "utf-8"
                return text.decode(coding, errors="ignore").rstrip("\x00")
            at = data.find(b"titl", at + 4)
    return ""
