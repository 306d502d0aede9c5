"""What a reader of a page sees or hears, without data, script and style; and words that give English away."""

from __future__ import annotations

import re
from html.parser import HTMLParser

__all__ = ["english_words", "foreign_texts", "shown_texts"]

_SPOKEN = ("alt", "aria-label", "title", "data-play", "data-pause")
_ENGLISH = re.compile(
    r"\b(the|and|are|were|heard|with|from|than|that|this|which|while|not|only|cannot|could|would|no|of|is|it|its"
    r"|by|for|against|above|below|record|clip|recording|engine|belt|pump|noise|sound|wheel|speed|turns|fluid"
    r"|check|look|listen|unknown|free|costs|takes|before|after)\b",
    re.IGNORECASE,
)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.foreign: list[str] = []
        self.closed = ""
        self.language = ""
        self.open: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        if tag in ("script", "style"):
            self.closed = tag
        if tag == "html":
            self.language = held.get("lang") or ""
        self.open.append((tag, held.get("lang") or (self.open[-1][1] if self.open else self.language)))
        self.texts += [text for name in _SPOKEN if (text := held.get(name))]

    def handle_endtag(self, tag: str) -> None:
        if tag == self.closed:
            self.closed = ""
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        text = re.sub(r"[ \t\r\n]+", " ", data).strip(" ")
        if text and not self.closed:
            self.texts.append(text)
            if self.open and self.open[-1][1] != self.language:
                self.foreign.append(text)


def shown_texts(page: str) -> list[str]:
    """Give every text of a page that is shown or read out."""
    return _read(page).texts


def foreign_texts(page: str) -> list[str]:
    """Give the texts that the page itself marks as being in another language than its own."""
    return _read(page).foreign


def english_words(page: str, *, names: tuple[str, ...] = ()) -> list[str]:
    """Give the texts of a page in which an English word stands; ``names`` are taken out first.

    >>> english_words("<html lang='de'><p>Die Pumpe heult.</p><p alt='the map'>x</p></html>")
    ['the map']
    """
    found = []
    for text in shown_texts(page):
        plain = text
        for name in names:
            plain = plain.replace(name, " ")
        plain = re.sub(r"--[a-z-]+", " ", plain)  # options keep their names
        if _ENGLISH.search(plain):
            found.append(text)
    return found


def _read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    return reader
