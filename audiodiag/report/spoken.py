"""Which sentence of the catalogue another room said, and with which values: a finished text read backwards.

Rooms below the report compose their texts in English. Each such text is made of sentences that stand in the
English catalogue with places for what changes: ``{value}`` is a number, ``{clip:verbatim}`` a name that goes
over as it is, ``{codec:word}`` one word, and ``{why:why}`` another entry, of the group named after the colon.
Reading is exact: all ways to read a text are given, and none where no entry fits it word by word.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

__all__ = [
    "NUMBER",
    "VERBATIM",
    "WORD",
    "Phrase",
    "Place",
    "Reading",
    "phrases_of",
    "readings_at",
    "readings_of",
]

NUMBER, WORD, VERBATIM = "number", "word", "verbatim"
"""Kinds of places beside the groups: a plain number, as "0.4" or "> 99", one word, and a text that is no
sentence."""
_WORD = re.compile(r"[^\s,;:()]+")
_NUMBER = re.compile(r"(?:[<>] )?-?\d+(?:\.\d+)?(?:e[+-]?\d+)?|-?inf|nan")
_SENTENCE_END = (".", "?", "!")


@dataclass(frozen=True)
class Place:
    """A place for a value in a sentence: its name and its kind."""

    name: str
    kind: str


@dataclass(frozen=True)
class Phrase:
    """One entry of the English catalogue: its name, its group, and its text cut at the places."""

    name: str
    group: str
    pieces: tuple[str | Place, ...]
    sentence: bool


@dataclass(frozen=True)
class Reading:
    """An entry and what stood in its places: numbers and names as text, other entries as readings."""

    name: str
    values: tuple[tuple[Place, str | Reading], ...]


def phrases_of(texts: Mapping[str, str]) -> dict[str, tuple[Phrase, ...]]:
    """Cut the texts of a catalogue at their places; give them by group, which is a name's first part.

    >>> phrases_of({"note.hum": "Hum of {hz} Hz."})["note"][0].pieces
    ('Hum of ', Place(name='hz', kind='number'), ' Hz.')
    """
    groups: dict[str, list[Phrase]] = {}
    for name, text in texts.items():
        pieces: list[str | Place] = []
        for literal, field, kind, _ in string.Formatter().parse(text):
            if literal:
                pieces.append(literal)
            if field is not None:
                pieces.append(Place(field, kind or NUMBER))
        group = name.partition(".")[0]
        groups.setdefault(group, []).append(Phrase(name, group, tuple(pieces), text.endswith(_SENTENCE_END)))
    return {group: tuple(phrases) for group, phrases in groups.items()}


def readings_of(text: str, groups: Mapping[str, tuple[Phrase, ...]]) -> list[tuple[Reading, ...]]:
    """Give every way to read a text: one entry, or sentences one after the other.

    >>> groups = phrases_of({"note.hum": "Hum of {hz} Hz.", "note.off": "Switch it off."})
    >>> [[one.name for one in way] for way in readings_of("Hum of 50 Hz. Switch it off.", groups)]
    [['note.hum', 'note.off']]
    >>> readings_of("Hum of many Hz.", groups)
    []
    """
    everything = [phrase for phrases in groups.values() for phrase in phrases]
    found = [
        (reading,)
        for phrase in everything
        if not phrase.sentence
        for reading, end in readings_at(text, 0, phrase, groups)
        if end == len(text)
    ]
    sentences = [phrase for phrase in everything if phrase.sentence]
    rest: dict[int, list[tuple[Reading, ...]]] = {len(text): [()]}

    def from_place(at: int) -> list[tuple[Reading, ...]]:
        if at not in rest:
            rest[at] = [
                (reading, *after)
                for phrase in sentences
                for reading, end in readings_at(text, at, phrase, groups)
                if end == len(text) or (text[end] == " " and end + 1 < len(text))
                for after in from_place(end + 1 if end < len(text) else end)
            ]
        return rest[at]

    return found + (from_place(0) if text else [])


def readings_at(
    text: str, at: int, phrase: Phrase, groups: Mapping[str, tuple[Phrase, ...]]
) -> Iterator[tuple[Reading, int]]:
    """Give every way in which an entry can stand at a place of a text, with where it ends."""
    for values, end in _pieces_at(text, at, phrase.pieces, {}, groups):
        yield Reading(phrase.name, tuple(values.items())), end


def _pieces_at(
    text: str,
    at: int,
    pieces: tuple[str | Place, ...],
    values: dict[Place, str | Reading],
    groups: Mapping[str, tuple[Phrase, ...]],
) -> Iterator[tuple[dict[Place, str | Reading], int]]:
    if not pieces:
        yield values, at
        return
    piece, left = pieces[0], pieces[1:]
    if isinstance(piece, str):
        if text.startswith(piece, at):
            yield from _pieces_at(text, at + len(piece), left, values, groups)
        return
    for value, end in _values_at(text, at, piece, left, groups):
        if values.get(piece, value) == value:  # what stands twice is the same twice
            yield from _pieces_at(text, end, left, {**values, piece: value}, groups)


def _values_at(
    text: str,
    at: int,
    place: Place,
    left: tuple[str | Place, ...],
    groups: Mapping[str, tuple[Phrase, ...]],
) -> Iterator[tuple[str | Reading, int]]:
    """Give what may stand in a place, with where it ends."""
    if place.kind == NUMBER:
        number = _NUMBER.match(text, at)
        if number:
            yield number.group(), number.end()
    elif place.kind == WORD:
        word = _WORD.match(text, at)
        if word:
            yield word.group(), word.end()
    elif place.kind == VERBATIM:
        after = left[0] if left and isinstance(left[0], str) else ""
        end = text.find(after, at + 1) if after else len(text)
        while end > at and ". " not in text[at:end]:
            yield text[at:end], end
            end = text.find(after, end + 1) if after else -1
    else:
        for phrase in groups[place.kind]:
            yield from readings_at(text, at, phrase, groups)
