"""`audiodiag pack`: recordings, diagnosis and report in one file to send."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from audiodiag.commands.inputs import refuse_contradictions, refuse_odd_tables, settings_of, values_of
from audiodiag.commands.report import LANGUAGE, STATED, refuse_ending
from audiodiag.options import Option

if TYPE_CHECKING:
    from audiodiag.cases.parcel import Packed

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = (
    Option("--out", "out", "text", "the parcel", "the file to write; needed", metavar="FILE.zip"),
    LANGUAGE,
    Option("--note", "note", "text", "the parcel", "words of yours that go with it", metavar="TEXT"),
    Option(
        "--flac",
        "as_flac",
        "flag",
        "the parcel",
        "send the sound as FLAC instead of its packets as they were received",
    ),
    Option(
        "--mute-speech",
        "mute_speech",
        "flag",
        "the parcel",
        "silence the stretches in which speech is found, and listen anew; listen before you send",
    ),
    *STATED,
)


def run(wanted: argparse.Namespace) -> int:
    """Write the parcel and show what was removed; exit code 3 where nothing can be told."""
    given = values_of(wanted, OPTIONS)
    refuse_contradictions(wanted.clips, given)
    refuse_odd_tables(given)
    out = refuse_ending(given.pop("out", None), ".zip", f"audiodiag pack {wanted.clips[0]} --out parcel.zip")
    language, note = str(given.pop("language", LANGUAGE.preset)), str(given.pop("note", ""))
    settings = settings_of(given, wanted.saw or [])
    from audiodiag.cases import pack_parcel
    from audiodiag.files import write_bytes_whole
    from audiodiag.report.language import load_sentences
    from audiodiag.report.listened import page_clip

    load_sentences(language)
    packed = pack_parcel(
        wanted.clips,
        lambda path: page_clip(str(path), settings, parts=True),
        note=note,
        language=language,
        as_flac=wanted.as_flac,
        without_speech=wanted.mute_speech,
    )
    write_bytes_whole(out, packed.content)
    _show(packed, wanted.clips, out, muted=wanted.mute_speech)
    return 0 if packed.told else 3


def _show(packed: Packed, names: list[str], out: Path, *, muted: bool) -> None:
    """Print what is in the parcel and what has stayed at home."""
    print(f"{out}: {len(packed.content) / 1e6:.1f} MB")
    for name, clip in zip(names, packed.clips, strict=True):
        how = "its packets as received" if clip.how == "copied" else "FLAC"
        print(f"{_printable(Path(name).name)} went in as {clip.name}, {how}")
        for tag in clip.removed:
            print(f"  removed: {tag.place}, {_printable(tag.name)}: {_printable(tag.value)[:70]}")
        if clip.muted_s:
            said = ", ".join(f"{low:.1f} to {high:.1f} s" for low, high in clip.muted_s)
            print(f"  silenced: {said}; listen to it before you send it, words may be left")
        elif muted:
            print("  no speech was found, nothing is silenced; listen to it before you send it")


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)
