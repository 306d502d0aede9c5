"""In which words the page speaks: one catalogue of sentences a language, read from data files.

A catalogue is the folder ``sentences/LANGUAGE``. Its sentences have names; what changes stands in braces. The
page's own sentences (``page.toml``) are said by name. What other rooms say in English is read backwards by
the English catalogue (`audiodiag.report.spoken`) and said again in the page's language; a text that cannot be
read exactly stays English and is marked as such.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from audiodiag.errors import UsageError
from audiodiag.report.spoken import NUMBER, Phrase, Reading, phrases_of, readings_of

__all__ = ["LANGUAGES", "Said", "Sentences", "load_sentences"]

_FOLDER = Path(__file__).resolve().parent / "sentences"
LANGUAGES = tuple(sorted(path.parent.name for path in _FOLDER.glob("*/page.toml")))
"""Languages that are shipped, by their two letters."""
_PAGE = "page"
_MINUS = "\u2212"


@dataclass(frozen=True)
class Said:
    """A text and the language it is in, which differs from the page's where no translation is known."""

    text: str
    language: str


class _Filling(string.Formatter):
    """Fills places in; ``{text!u}`` is the text with its first letter a capital."""

    def convert_field(self, value: Any, conversion: str | None) -> Any:
        return (
            value[:1].upper() + value[1:] if conversion == "u" else super().convert_field(value, conversion)
        )


@dataclass(frozen=True, eq=False)
class Sentences:
    """The sentences of one language by name: the page's own, and those of the other rooms."""

    language: str
    decimal: str
    texts: dict[str, str]
    told: dict[str, str] = field(default_factory=dict)
    english: Mapping[str, tuple[Phrase, ...]] = field(default_factory=dict)

    def say(self, name: str, /, **values: Any) -> str:
        """Give a sentence by its name, with its values filled in.

        >>> load_sentences("en").say("checks.minutes", count=5)
        '5 min'
        """
        return self.texts[name].format(**values)

    def say_with(self, name: str, /, **values: str | Said) -> Said:
        """Give a sentence by its name; all of it in English where a value is in another language.

        >>> load_sentences("de").say_with("answer.first", check=Said("Look", "en"), effort="5 min").text
        'Look (5 min). Do this first.'
        """
        foreign = {value.language for value in values.values() if isinstance(value, Said)} - {self.language}
        plain = {key: value.text if isinstance(value, Said) else value for key, value in values.items()}
        one = load_sentences(foreign.pop()) if foreign else self
        return Said(one.say(name, **plain), one.language)

    def number(self, value: float, digits: int = 0, *, sign: bool = False) -> str:
        """Write a number with the language's decimal sign.

        >>> load_sentences("de").number(3.25, 1)
        '3,2'
        """
        return self._number(f"{value:{'+' if sign else ''}.{digits}f}")

    def tell(self, text: str) -> Said:
        """Say again what another room said in English; where that is not certain, leave it English.

        >>> load_sentences("de").tell("The stated phases leave 1.5 s of the clip open.").text
        'Die angegebenen Abschnitte lassen 1,5 s der Aufnahme offen.'
        >>> load_sentences("de").tell("Heard: nobody knows what.")
        Said(text='Heard: nobody knows what.', language='en')
        """
        if self.language == "en":
            return Said(text, self.language)
        meant = {" ".join(map(self._told, way)) for way in readings_of(text, self.english)}
        return Said(meant.pop(), self.language) if len(meant) == 1 else Said(text, "en")

    def _told(self, reading: Reading) -> str:
        values = {}
        for place, value in reading.values:
            if isinstance(value, Reading):
                values[place.name] = self._told(value)
            else:
                values[place.name] = self._number(value) if place.kind == NUMBER else value
        return _Filling().format(self.told[reading.name], **values)

    def _number(self, shown: str) -> str:
        return shown.replace(".", self.decimal).replace("-", _MINUS)


@cache
def load_sentences(language: str = "en") -> Sentences:
    """Read the catalogue of a language; refuse one that is not there, or that lacks sentences, in words.

    >>> load_sentences("en").language, sorted(LANGUAGES)
    ('en', ['de', 'en'])
    """
    if language not in LANGUAGES:
        raise UsageError(
            "the report does not speak this language",
            got=language,
            allowed=", ".join(LANGUAGES),
            todo="take one of these, or add a catalogue as DEVELOPERS.md says",
        )
    decimal, texts, told = _read(language)
    if language != "en":
        english = load_sentences("en")
        _refuse_gaps(language, {**texts, **told}, {**english.texts, **english.told})
        return Sentences(language, decimal, texts, told, english.english)
    return Sentences(language, decimal, texts, told, phrases_of(told))


def _read(language: str) -> tuple[str, dict[str, str], dict[str, str]]:
    """Read the decimal sign, the page's own sentences and those of the other rooms."""
    decimal, texts, told = ".", dict[str, str](), dict[str, str]()
    for path in sorted((_FOLDER / language).glob("*.toml")):
        plain = tomllib.loads(path.read_text(encoding="utf-8"))
        if path.stem == _PAGE:
            decimal = plain.pop("decimal")
            texts = dict(_named(plain))
        else:
            told.update(_named(plain))
    return decimal, texts, told


def _named(table: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for name, value in table.items():
        if isinstance(value, str):
            yield before + name, value
        else:
            yield from _named(value, f"{before}{name}.")


def _refuse_gaps(language: str, texts: dict[str, str], english: dict[str, str]) -> None:
    """Refuse a catalogue whose sentences or places for values differ from the English ones."""
    odd = sorted(texts.keys() ^ english.keys()) or [
        name for name, text in english.items() if _places(text) != _places(texts[name])
    ]
    if odd:
        raise UsageError(
            f"the catalogue {language} does not fit the English one",
            got=", ".join(odd[:5]),
            allowed="the same names, with the same places for values",
            todo="add or correct these sentences",
        )


def _places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}
