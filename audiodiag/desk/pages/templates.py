"""From values to pages: every value is escaped, every page speaks the words of the reports."""

from __future__ import annotations

import time
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from audiodiag.desk.drawings import DETAILS, PARTS, look_at
from audiodiag.records import SYMPTOMS
from audiodiag.report.language import load_sentences
from audiodiag.report.wording import (
    PHASE_WORDS,
    SYMPTOM_WORDS,
    level_words,
    percent,
    span_words,
    telling_reasons,
)

__all__ = [
    "ago_words",
    "compiled",
    "plain_page",
    "reason_words",
    "rendered",
    "said_words",
    "size_words",
]

SAID = {
    "opened": "The case is open. Add a recording now, or answer the questions first.",
    "kept": "Kept.",
    "answered": "The answer is sent. The owner sees it on the page of the case.",
    "link": "The link is made. Copy it now: it is shown only here.",
    "asked": "It waits for its turn; a worker listens and compares.",
    "paper": "It waits for its turn; a worker makes it.",
    "parcel": "The parcel has arrived and is kept. It is checked to the byte now.",
    "received": "The recording has arrived and is kept. It is listened to now.",
    "entered": "You are in.",
    "last": "That was the last open case that can be listened to.",
}


@lru_cache(maxsize=1)
def _environment() -> Environment:
    folder = Path(__file__).resolve().parents[1] / "templates"
    made = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "percent": percent,
        "level": level_words,
        "spans": span_words,
        "ago": ago_words,
        "reasons": reason_words,
        "size": size_words,
        "clock": lambda at_s: time.strftime("%Y-%m-%d %H:%M", time.localtime(at_s)),
    }
    made.globals |= {"SYMPTOMS": SYMPTOMS, "WORDS": SYMPTOM_WORDS, "PHASES": PHASE_WORDS}
    made.globals |= {"PARTS": PARTS, "DETAILS": DETAILS, "look_at": look_at}
    return made


def compiled() -> int:
    """Compile every template, so that the first visitor need not wait; gives how many there are.

    >>> compiled() > 10
    True
    """
    made = _environment()
    names = made.list_templates(extensions=["html"])
    for name in names:
        made.get_template(name)
    return len(names)


def rendered(template: str, **values: Any) -> str:
    """Give a page as text."""
    return _environment().get_template(template).render(**values)


def plain_page(title: str, text: str, mark: str = "") -> str:
    """Give a page that says one thing and nothing of the machine behind it."""
    return rendered("message.html", title=title, text=text, mark=mark, visitor=None, said=None, here="")


def said_words(code: str | None) -> str | None:
    """Give the sentence of a code in an address; strange codes say nothing."""
    return SAID.get(code or "")


def ago_words(at_s: float, now_s: float | None = None) -> str:
    """Say how long ago something was.

    >>> ago_words(0.0, 50.0), ago_words(0.0, 7300.0), ago_words(0.0, 3 * 86400.0)
    ('just now', '2 h ago', '3 days ago')
    """
    passed_s = (time.time() if now_s is None else now_s) - at_s
    if passed_s < 90:
        return "just now"
    if passed_s < 5400:
        return f"{passed_s / 60:.0f} min ago"
    return f"{passed_s / 3600:.0f} h ago" if passed_s < 129600 else f"{passed_s / 86400:.0f} days ago"


def reason_words(sound: dict[str, Any]) -> list[str]:
    """Give what moved the answer for one sound as the page of the report tells it; ``sound``: its JSON.

    >>> len(reason_words({"probability": 0.3, "evidence": [{"text": "It is loud. This speaks for it."}]}))
    2
    """
    shown, rare = telling_reasons([each["text"] for each in sound["evidence"]], sound["probability"] or 0.0)
    return [*shown, *([load_sentences("en").say("sure.rare")] if rare else [])]


def size_words(size_bytes: int) -> str:
    """Say how large a recording is.

    >>> size_words(2_340_000), size_words(800)
    ('2.3 MB', '1 kB')
    """
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 1e6 else f"{max(1, round(size_bytes / 1e3))} kB"
