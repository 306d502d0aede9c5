"""Pack recordings with their diagnosis and report into one file to send."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag import __version__
from audiodiag.cases.bag import bag_files, parcel_bytes
from audiodiag.cases.muting import mute_speech
from audiodiag.cases.stripping import Stripped, Tag, flac_of, strip_recording
from audiodiag.clip import read_clip
from audiodiag.errors import ParcelError
from audiodiag.records import Span
from audiodiag.report.wording import is_simulated

if TYPE_CHECKING:
    from audiodiag.report.page import PageClip

__all__ = ["MOST_CLIPS", "Packed", "PackedClip", "pack_parcel"]

MOST_CLIPS = 8
FOLDER = "audiodiag-parcel"
"""The one folder inside a parcel."""

Look = Callable[[Path], "PageClip"]


@dataclass(frozen=True)
class PackedClip:
    """One recording in a parcel: its name there, how it got there, what was removed and what was silenced."""

    name: str
    how: str
    removed: tuple[Tag, ...]
    muted_s: tuple[Span, ...]


@dataclass(frozen=True)
class Packed:
    """A parcel: its bytes, the bytes of each recording by name, and what was done to each."""

    content: bytes
    recordings: dict[str, bytes]
    clips: tuple[PackedClip, ...]
    told: bool


def pack_parcel(
    paths: Sequence[str | Path],
    look: Look,
    *,
    note: str = "",
    language: str = "en",
    as_flac: bool = False,
    without_speech: bool = False,
) -> Packed:
    """Make a parcel.

    Parameters
    ----------
    paths:
        Recordings, 8 at most.
    look:
        Analyses one recording as it lies in the parcel, so that the diagnosis is of what is sent.
    note:
        Words of the sender.
    language:
        Of the report.
    as_flac:
        Whether recordings are to become FLAC instead of being copied as received.
    without_speech:
        Whether stretches of speech are silenced (the recording then becomes FLAC).

    Raises
    ------
    ParcelError
        For no recording, too many, or one that cannot be freed of its tags.
    ClipError
        For a file that is no recording.
    """
    if not 1 <= len(paths) <= MOST_CLIPS:
        raise ParcelError(
            "a parcel cannot hold that many recordings",
            got=f"{len(paths)} recordings",
            allowed=f"1 to {MOST_CLIPS}",
            todo="make several parcels",
        )
    from audiodiag.report.jsonform import analysis_to_json_line
    from audiodiag.report.page import PageClip, report_page

    payload: dict[str, bytes] = {}
    clips, pages = [], []
    with tempfile.TemporaryDirectory(prefix="audiodiag-") as held:
        for number, path in enumerate(paths, 1):
            stripped, muted = _prepared(Path(path), as_flac=as_flac, without_speech=without_speech)
            name = f"recording-{number:02d}{stripped.ending}"
            place = Path(held) / name
            place.write_bytes(stripped.content)
            page = look(place)
            pages.append(PageClip(page.analysis, page.parts, name))
            payload[f"recordings/{name}"] = stripped.content
            removed = (Tag("file", "name", Path(path).name), *stripped.removed)
            clips.append(PackedClip(name, stripped.how, removed, muted))
    analyses = [analysis_to_json_line(page.analysis, file=page.file) for page in pages]
    payload["analysis.jsonl"] = ("\n".join(analyses) + "\n").encode("utf-8")
    payload["report.html"] = report_page(pages, language=language).encode("utf-8")
    payload["notes.txt"] = (note.strip() + "\n").encode("utf-8")
    payload["what_was_done.json"] = _done(clips)
    simulated = any(is_simulated(page.analysis.clip) for page in pages)
    information = {
        "Bag-Software-Agent": f"audiodiag {__version__}",
        "External-Description": "Recordings of an engine bay with their diagnosis"
        + (" (simulated clips)" if simulated else ""),
    }
    told = any(page.analysis.verdict.kind in ("symptoms", "normal") for page in pages)
    recordings = {n.removeprefix("recordings/"): c for n, c in payload.items() if n.startswith("recordings/")}
    return Packed(parcel_bytes(bag_files(payload, information), FOLDER), recordings, tuple(clips), told)


def _prepared(path: Path, *, as_flac: bool, without_speech: bool) -> tuple[Stripped, tuple[Span, ...]]:
    """Free a recording of its tags, and of speech where that is wanted."""
    clip = read_clip(path)  # refuses what is no recording, in words
    simulated = is_simulated(clip)
    stripped = strip_recording(path, simulated=simulated, as_flac=as_flac)
    if not without_speech:
        return stripped, ()
    muted = mute_speech(clip)
    if not muted.spans_s:
        return stripped, ()
    sound = flac_of(muted.samples, clip.sample_rate_hz, simulated=simulated)
    return Stripped(sound, ".flac", "flac", stripped.removed), muted.spans_s


def _done(clips: Sequence[PackedClip]) -> bytes:
    """Say what was done, by the names of tags only: what they said has stayed at home."""
    said: dict[str, Any] = {
        "schema": "audiodiag/parcel/1",
        "recordings": [
            {
                "file": clip.name,
                "sound": "packets copied as received" if clip.how == "copied" else "FLAC",
                "removed": sorted({tag.name for tag in clip.removed}),
                "silenced_s": [[round(low, 3), round(high, 3)] for low, high in clip.muted_s],
            }
            for clip in clips
        ],
    }
    return (json.dumps(said, indent=1) + "\n").encode("utf-8")
