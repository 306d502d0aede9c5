"""In which words the page speaks: one catalogue of sentences a language, read from a data file.

A catalogue is ``sentences/LANGUAGE.toml``. Its sentences have names; what changes stands in braces. Sentences
that other rooms say in English are translated by the table ``said``: every
number of the English sentence is written ``#`` there, and returns in the translation as ``{1}``, ``{2}`` and
so on. A sentence that is missing there stays English and is marked as such.
"""

from __future__ import annotations

import re
import string
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from audiodiag.errors import UsageError

__all__ = ["LANGUAGES", "Said", "Sentences", "load_sentences"]

_FOLDER = Path(__file__).resolve().parent / "sentences"
LANGUAGES = tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))
"""Languages that are shipped, by their two letters."""
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")
_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")


@dataclass(frozen=True)
class Said:
    """A text and the language it is in, which differs from the page's where no translation is known."""

    text: str
    language: str


@dataclass(frozen=True, eq=False)
class Sentences:
    """The sentences of one language by name, and the translations of what other rooms say."""

    language: str
    decimal: str
    texts: dict[str, str]
    said: dict[str, str]

    def say(self, name: str, /, **values: Any) -> str:
        """Give a sentence by its name, with its values filled in.

        >>> load_sentences("en").say("checks.minutes", count=5)
        '5 min'
        """
        return self.texts[name].format(**values)

    def number(self, value: float, digits: int = 0, *, sign: bool = False) -> str:
        """Write a number with the language's decimal sign.

        >>> load_sentences("de").number(3.25, 1)
        '3,2'
        """
        shown = f"{value:{'+' if sign else ''}.{digits}f}"
        return shown.replace(".", self.decimal).replace("-", "\u2212")

    def tell(self, text: str) -> Said:
        """Translate what another room said in English, sentence by sentence; else leave it English.

        >>> load_sentences("de").tell("Heard: nobody knows what.")
        Said(text='Heard: nobody knows what.', language='en')
        """
        if not self.said:
            return Said(text, self.language)
        whole = self._translated(text)
        parts = [whole] if whole is not None else [self._translated(part) for part in _END.split(text)]
        if any(part is None for part in parts):
            return Said(text, "en")
        return Said(" ".join(part for part in parts if part is not None), self.language)

    def _translated(self, sentence: str) -> str | None:
        """Look one sentence up, or its two halves about a colon."""
        numbers = _NUMBER.findall(sentence)
        found = self.said.get(_NUMBER.sub("#", sentence))
        if found is None:
            head, colon, tail = sentence.partition(": ")
            if not colon:
                return None
            halves = self._translated(head), self._translated(tail)
            return None if None in halves else f"{halves[0]}: {halves[1]}"
        for place, number in enumerate(numbers, 1):
            found = found.replace(f"{{{place}}}", number.replace(".", self.decimal))
        return found


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
    plain = tomllib.loads((_FOLDER / f"{language}.toml").read_text(encoding="utf-8"))
    texts = {
        f"{group}.{name}": text
        for group, table in plain.items()
        if isinstance(table, dict) and group != "said"
        for name, text in table.items()
    }
    if language != "en":
        _refuse_gaps(language, texts, load_sentences("en").texts)
    return Sentences(language, plain["decimal"], texts, dict(plain.get("said", {})))


def _refuse_gaps(language: str, texts: dict[str, str], english: dict[str, str]) -> None:
    """Refuse a catalogue whose sentences or places for values differ from the English ones."""
    odd = sorted(texts.keys() ^ english.keys()) or [
        name for name, text in english.items() if _places(text) != _places(texts[name])
    ]
    if odd:
        raise UsageError(
            f"the catalogue {language}.toml does not fit the English one",
            got=", ".join(odd[:5]),
            allowed="the same names, with the same places for values",
            todo="add or correct these sentences",
        )


def _places(text: str) -> set[str]:
    return {field for _, field, _, _ in string.Formatter().parse(text) if field}
