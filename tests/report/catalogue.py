"""The English catalogue, where it repeats others: ``python -m tests.report.catalogue`` writes it.

The texts of the knowledge of causes and of the measurements are kept where they belong; the catalogue holds
them once more, by name, so that they can be read backwards and translated. After a change of either run this,
then translate what it names.
"""

from __future__ import annotations

import json
import re
import string
from collections.abc import Mapping

from audiodiag.causes import load_knowledge
from audiodiag.report import language
from audiodiag.symptoms import MEASUREMENTS

__all__ = ["knowledge_tables", "measurement_tables"]

Tables = dict[str, dict[str, str]]
FILES = ("knowledge.toml", "measurements.toml")
_HEAD = "# Written by python -m tests.report.catalogue from {source}.\n"


def knowledge_tables() -> Tables:
    """Give every text of the causes' data files that can stand on a page, by table and name."""
    known = load_knowledge()
    why: dict[str, str] = {}
    for link in known.links:
        if link.why not in why.values():
            why[f"{link.cause}-{link.symptom or f'{link.observation}-{link.answer}'}"] = link.why
    answers = {
        f"{seen.name}-{answer.name}": answer.text for seen in known.observations for answer in seen.answers
    }
    return {
        "cause": {cause.name: cause.title for cause in known.causes},
        "duty": {cause.name: _small(cause.repair) for cause in known.causes if cause.kind == "normal"},
        "check": {check.name: check.title for check in known.checks},
        "caution": {caution.code: caution.text for caution in known.cautions},
        "limit": {symptom.name: symptom.cannot_tell for symptom in known.symptoms},
        "heard": {symptom.name: symptom.heard for symptom in known.symptoms},
        "heard_small": {symptom.name: _small(symptom.heard) for symptom in known.symptoms},
        "symptom": {symptom.name: symptom.title for symptom in known.symptoms},
        "answer": answers,
        "why": why,
    }


def measurement_tables() -> Tables:
    """Give the sentence and the plain name of every measurement."""
    return {
        "measured": {one.name: _any_number(one.text) for one in MEASUREMENTS if one.text},
        "quantity": {one.name: one.label for one in MEASUREMENTS},
    }


def written(tables: Mapping[str, Mapping[str, str]], source: str) -> str:
    """Give tables as a file."""
    lines = [_HEAD.format(source=source)]
    for table, entries in tables.items():
        lines += [f"[{table}]", *(f"{name} = {json.dumps(text)}" for name, text in entries.items()), ""]
    return "\n".join(lines)


def main() -> None:
    """Write both files, and name what the other languages lack."""
    folder = language._FOLDER / "en"
    tables = {
        FILES[0]: (knowledge_tables(), "audiodiag/causes/data"),
        FILES[1]: (measurement_tables(), "the tables in audiodiag/symptoms"),
    }
    for name, (found, source) in tables.items():
        (folder / name).write_text(written(found, source), encoding="utf-8")
    english = language._read("en")[2]
    for code in language.LANGUAGES:
        told = language._read(code)[2]
        for name in sorted(told.keys() ^ english.keys()):
            print(f"{code}: {name} is {'missing' if name in english else 'no longer said'}")


def _small(text: str) -> str:
    return text[0].lower() + text[1:]


def _any_number(text: str) -> str:
    """Write a format of a number as a plain place, with the sign that a percentage brings, after a space.

    >>> _any_number("It is {value:.0%} of {value:.1f}.")
    'It is {value} % of {value}.'
    """
    assert all(name in (None, "value") for _, name, _, _ in string.Formatter().parse(text))
    return re.sub(r"\{value:[^}]*\}", "{value}", re.sub(r"\{value:[^}]*%\}", "{value} %", text))


if __name__ == "__main__":
    main()
