"""What one worker makes of recordings beside listening: the report, a parcel, the parts; and opens parcels.

Every file is left in the folder ``made`` of the order and named in the result; the desk takes them in.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.errors import ParcelError

if TYPE_CHECKING:
    from audiodiag.comparison import BleedWatch, Comparison, SymptomTrend
    from audiodiag.records import Analysis

__all__ = [
    "MADE_FOLDER",
    "bleed_picture",
    "comparison_files",
    "make_parcel",
    "make_parts",
    "make_report",
    "open_parcel",
    "trend_picture",
]

MADE_FOLDER = "made"
DOTS_PER_INCH = 110
MOST_NOTE_BYTES = 100_000
Teller = Callable[[str, float], None]


def make_report(
    order: dict[str, Any], folder: Path, tell: Teller, settings: Callable[..., Any]
) -> dict[str, Any]:
    """Make the report of one to eight recordings as one page."""
    from audiodiag.report.listened import page_clip
    from audiodiag.report.page import report_page

    told, clips = order["settings"], []
    for number, recording in enumerate(order["recordings"]):
        tell(f"listening to {recording['name']}", number / (len(order["recordings"]) + 1))
        place, name = Path(recording["path"]), recording["name"]
        if told["without_speech"]:
            place = _without_speech(place, folder / f"quiet-{number}.flac")
        if not told["with_names"]:
            name = f"recording {number + 1}"
        clips.append(page_clip(place, settings(order, recording), parts=True, name=name))
    tell("writing the report", 0.95)
    page = report_page(clips, language=told["language"], with_names=told["with_names"])
    written = _written(folder, "report.html", page.encode("utf-8"), "text/html")
    return {"told": {}, "files": [written]}


def make_parcel(
    order: dict[str, Any], folder: Path, tell: Teller, settings: Callable[..., Any]
) -> dict[str, Any]:
    """Make a parcel; what was removed is told by the names of tags, not by what they said."""
    from audiodiag.cases import pack_parcel
    from audiodiag.report.listened import page_clip

    told, recordings = order["settings"], order["recordings"]
    turn = iter(recordings)

    def look(path: Path) -> Any:
        recording = next(turn)
        tell(f"listening to {recording['name']}", recordings.index(recording) / (len(recordings) + 1))
        return page_clip(path, settings(order, recording), parts=True)

    packed = pack_parcel(
        [recording["path"] for recording in recordings],
        look,
        note=told["note"],
        language=told["language"],
        as_flac=told["as_flac"],
        without_speech=told["without_speech"],
    )
    done = [
        {
            "name": clip.name,
            "how": clip.how,
            "removed": sorted({tag.name for tag in clip.removed}),
            "silenced_s": [[round(low, 2), round(high, 2)] for low, high in clip.muted_s],
        }
        for clip in packed.clips
    ]
    return {
        "told": {"clips": done},
        "files": [_written(folder, "parcel.zip", packed.content, "application/zip")],
    }


def make_parts(
    order: dict[str, Any], folder: Path, tell: Teller, settings: Callable[..., Any]
) -> dict[str, Any]:
    """Split one recording into the parts to listen to, each a sound of its own at the clip's loudness.

    FLAC, as the recording itself is played: every browser decodes it, and no coding shifts one part's start
    against another's.
    """
    import numpy as np

    from audiodiag.desk.labour import write_flac
    from audiodiag.report.listened import page_clip

    recording = order["recordings"][0]
    page = page_clip(recording["path"], settings(order, recording), parts=True, name=recording["name"])
    if page.parts is None:
        return {"told": {"silent": [], "none": True}, "files": []}
    tell("writing the parts", 0.9)
    rate = page.analysis.clip.sample_rate_hz
    files, silent = [], []
    for name, samples in page.parts.items():
        if not np.any(np.abs(samples) > 1e-5):
            silent.append(name)
            continue
        place = _made(folder) / f"{name}.flac"
        write_flac(samples, rate, place)
        files.append({"name": place.name, "media": "audio/flac"})
    return {"told": {"silent": silent}, "files": files}


def open_parcel(
    order: dict[str, Any], folder: Path, tell: Teller, settings: Callable[..., Any]
) -> dict[str, Any]:
    """Check a parcel to the byte and leave its recordings and the words that came with it."""
    from audiodiag.cases import check_parcel

    tell("checking the parcel", 0.1)
    checked = check_parcel(order["settings"]["path"])
    if not checked.recordings:
        raise ParcelError(
            "the parcel holds no recording",
            got="a bag without recordings",
            allowed="1 to 8 recordings",
            todo="ask the sender to pack it anew",
        )
    place = folder / MADE_FOLDER
    place.mkdir()
    files = []
    for number, (name, content) in enumerate(sorted(checked.recordings.items()), 1):
        (place / f"recording-{number}").write_bytes(content)
        files.append({"name": f"recording-{number}", "media": "recording", "shown": name.rpartition("/")[2]})
    note = checked.files.get("data/notes.txt", b"")[:MOST_NOTE_BYTES].decode("utf-8", "replace").strip()
    return {"told": {"note": note}, "files": files}


def comparison_files(found: Comparison, folder: Path) -> list[dict[str, str]]:
    """Draw a comparison and write its two sides in turn as one sound."""
    from audiodiag.comparison.listening import alternation_flac
    from audiodiag.report.compared_figures import change_maps_png, changes_png, title_of

    title = title_of((*found.before, *found.after), "Before and after")
    files = [
        _written(
            folder, "changes.png", changes_png(found, title=title, dots_per_inch=DOTS_PER_INCH), "image/png"
        )
    ]
    if found.maps is not None:
        maps = change_maps_png(found.maps, found.names, title=title, dots_per_inch=DOTS_PER_INCH)
        files.append(_written(folder, "maps.png", maps, "image/png"))
    if found.listening is not None:
        sound = alternation_flac(found.listening, title=title)
        files.append(_written(folder, "in_turn.flac", sound, "audio/flac"))
    return files


def bleed_picture(watch: BleedWatch, analyses: list[Analysis], folder: Path) -> list[dict[str, str]]:
    """Draw the air in the fluid over the cycles; nothing where there are too few to draw."""
    from audiodiag.report.compared_figures import bleed_png, title_of

    if not watch.cycles:
        return []
    picture = bleed_png(watch, title=title_of(analyses, "Air in the fluid"), dots_per_inch=DOTS_PER_INCH)
    return [_written(folder, "bleed.png", picture, "image/png")]


def trend_picture(
    trends: tuple[SymptomTrend, ...], analyses: list[Analysis], unit: str, folder: Path
) -> list[dict[str, str]]:
    """Draw the level of each sound over time or mileage."""
    from audiodiag.report.compared_figures import title_of, trend_png

    title = title_of(analyses, "Level of each sound")
    picture = trend_png(trends, unit=unit, title=title, dots_per_inch=DOTS_PER_INCH)
    return [_written(folder, "trend.png", picture, "image/png")]


def _without_speech(place: Path, quiet: Path) -> Path:
    """Write a recording with its speech silenced, as FLAC; the recording itself where none was found."""
    from audiodiag.cases.muting import mute_speech
    from audiodiag.cases.stripping import flac_of
    from audiodiag.clip import read_clip
    from audiodiag.report.wording import is_simulated

    clip = read_clip(place)
    muted = mute_speech(clip)
    if not muted.spans_s:
        return place
    quiet.write_bytes(flac_of(muted.samples, clip.sample_rate_hz, simulated=is_simulated(clip)))
    return quiet


def _written(folder: Path, name: str, content: bytes, media: str) -> dict[str, str]:
    (_made(folder) / name).write_bytes(content)
    return {"name": name, "media": media}


def _made(folder: Path) -> Path:
    place = folder / MADE_FOLDER
    place.mkdir(exist_ok=True)
    return place
