"""The report as one page in one file: words, pictures, sound and numbers, with nothing to fetch from outside.

The page may load nothing (its policy says so to the browser), runs one script known by its fingerprint, and
holds the same numbers as ``audiodiag analyse --json``.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag import __version__
from audiodiag.errors import UsageError
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import Analysis
from audiodiag.report import wording
from audiodiag.report.jsonform import ANALYSIS_SCHEMA, analysis_to_dict
from audiodiag.report.language import Said, Sentences, load_sentences
from audiodiag.report.page_sound import MOST_SOUND_BYTES
from audiodiag.report.page_view import ClipView, clip_view
from audiodiag.report.page_words import percent_said

if TYPE_CHECKING:
    from markupsafe import Markup

    from audiodiag.comparison import Comparison
    from audiodiag.report.page_change import ChangeView

__all__ = ["MOST_CLIPS", "MOST_PAGE_BYTES", "Page", "PageClip", "page_data", "report_page"]

MOST_PAGE_BYTES = 3_000_000
"""A page for a clip of 30 s is smaller than this."""
MOST_CLIPS = 8
"""Recordings that one page may hold."""
DENSE_FROM = 5
"""Sounds and notes of one recording from which the page prints in smaller type, to fit two sheets."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:dB|Hz|kHz|kbit/s|s|ms|min|h|rpm|1/min|%|EUR)(?!\w))")
_OPTION = re.compile(r"(--[a-z]+(?:-[a-z]+)*)")
_SHEET = Path(__file__).resolve().parent / "sheet"


@dataclass(frozen=True, eq=False)
class PageClip:
    """One recording for the page: its analysis, its parts to listen to (None: without), its name as typed."""

    analysis: Analysis
    parts: ListeningParts | None = None
    file: str | None = None


@dataclass(frozen=True, eq=False)
class Page:
    """All that the sheet is filled with."""

    language: str
    title: str
    made: str
    clips: tuple[ClipView, ...]
    change: ChangeView | None
    cautions: tuple[Said, ...]
    explain: str
    versions: str
    dense: bool
    untranslated: bool
    policy: str
    style: str
    script: str
    data: str


def report_page(
    clips: Sequence[PageClip],
    *,
    comparison: Comparison | None = None,
    language: str = "en",
    with_names: bool = True,
) -> str:
    """Give the page as HTML.

    Parameters
    ----------
    clips:
        At least one recording, `MOST_CLIPS` at most.
    comparison:
        What has changed between two sides, where there are two.
    language:
        One of the shipped languages.
    with_names:
        Whether the data hold the names of files as they were typed.

    Raises
    ------
    UsageError
        For no recording or too many, or an unknown language.
    """
    if not 1 <= len(clips) <= MOST_CLIPS:
        raise UsageError(
            "a page cannot hold that many recordings",
            got=f"{len(clips)} recordings",
            allowed=f"1 to {MOST_CLIPS}",
            todo="make several reports",
        )
    s = load_sentences(language)
    share = MOST_SOUND_BYTES // (len(clips) + (1 if comparison is not None else 0))
    views = tuple(clip_view(c.analysis, s, parts=c.parts, most_sound_bytes=share) for c in clips)
    change = None
    if comparison is not None:
        from audiodiag.report.page_change import change_view

        change = change_view(comparison, s)
    names = ", ".join(view.name for view in views)
    script, style = (_sheet(name) for name in ("page.js", "page.css"))
    fingerprint = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    said = list(dict.fromkeys(text for clip in clips for text in clip.analysis.cautions))
    if comparison is not None:
        said = list(dict.fromkeys([*said, *comparison.cautions]))
    cautions = tuple(s.tell(text) for text in said)
    page = Page(
        language=language,
        title=s.say("page.title", clips=names),
        made=s.say("page.made", version=__version__, clips=names),
        clips=views,
        change=change,
        cautions=cautions,
        explain=s.say(
            "sure.explain",
            heard=percent_said(wording.HEARD_FROM),
            maybe=percent_said(wording.MAYBE_FROM),
        ),
        versions=s.say("method.version", **_versions()),
        dense=any(len(view.sounds) + len(view.notes) >= DENSE_FROM for view in views),
        untranslated=any(text.language != language for text in _told(views, change, cautions)),
        policy="default-src 'none'; img-src data:; media-src data:; style-src 'unsafe-inline'; "
        f"script-src 'sha256-{fingerprint}'; base-uri 'none'; form-action 'none'",
        style=style,
        script=script,
        data=_inside_a_page(page_data(clips, comparison, with_names=with_names)),
    )
    return _filled(page, s)


def page_data(
    clips: Sequence[PageClip], comparison: Comparison | None = None, *, with_names: bool = True
) -> dict[str, Any]:
    """Give the numbers of a page as plain values: each analysis as ``--json`` prints it."""
    analyses = [analysis_to_dict(c.analysis, file=c.file if with_names else None) for c in clips]
    compared = None
    if comparison is not None:
        from audiodiag.report.compared_json import comparison_to_dict

        compared = comparison_to_dict(comparison)
    return {"analyses": analyses, "comparison": compared}


def _filled(page: Page, s: Sentences) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    room = Environment(
        loader=FileSystemLoader(_SHEET),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_kept_together,
    )
    room.filters["options"] = _options
    return room.get_template("page.html").render(page=page, say=s.say, schema=ANALYSIS_SCHEMA)


def _kept_together(value: Any) -> Any:
    """Put a space that does not break between a number and its unit; leave what is no text as it is."""
    if type(value) is not str or value.startswith("data:"):
        return value
    return _BEFORE_UNIT.sub("\u00a0", value)


def _options(text: str) -> Markup:
    """Mark the options of the command in a text, so that no line breaks inside one."""
    from markupsafe import Markup, escape

    parts = _OPTION.split(_kept_together(text))
    marked = (
        Markup('<code class="option">{}</code>').format(part) if place % 2 else escape(part)
        for place, part in enumerate(parts)
    )
    return Markup("").join(marked)


def _sheet(name: str) -> str:
    return (_SHEET / name).read_text(encoding="utf-8")


def _inside_a_page(values: dict[str, Any]) -> str:
    """Write values so that nothing in them can end the element that holds them."""
    text = json.dumps(values, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _told(views: Sequence[ClipView], change: ChangeView | None, cautions: Sequence[Said]) -> Iterator[Said]:
    """Give every text of the page that another room said."""
    for view in views:
        yield from (*view.lead, *view.notes, *view.limits, *(check.title for check in view.checks))
        for sound in view.sounds:
            yield from sound.reasons
        for cause in view.causes:
            yield from (cause.title, *cause.reasons)
    yield from cautions
    if change is not None:
        yield from change.notes


def _versions() -> dict[str, str]:
    import av
    import numpy
    import scipy

    from audiodiag.resources import shipped_folder

    model = hashlib.sha256((shipped_folder("models") / "symptoms.json").read_bytes()).hexdigest()[:12]
    return {
        "program": __version__,
        "model": model,
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
        "av": av.__version__,
    }
