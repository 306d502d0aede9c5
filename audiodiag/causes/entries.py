"""Entries of the knowledge as text: a cause, a check, a question, a work sheet; and the list of all names."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterable

from audiodiag.causes.knowledge import Cause, Check, Knowledge, Observation, Remedy, Sheet
from audiodiag.errors import UsageError

__all__ = ["entry_text", "list_text", "money_words", "wrapped"]

CLOSING = "maker_first"


def wrapped(text: str, *, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Wrap a text with an indent of the first line and one of the rest; signs of no print become spaces."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    hanging = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        plain, width, initial_indent=first, subsequent_indent=hanging, break_on_hyphens=False
    ) or [first.rstrip()]


def money_words(thing: Check | Remedy) -> str:
    """Say time and money of a check or a remedy.

    >>> from audiodiag.causes import load_knowledge
    >>> money_words(load_knowledge().check("bleed"))
    '30 min, 5 to 15 EUR'
    """
    time = f"{thing.minutes:.0f} min" if thing.minutes < 120 else f"{thing.minutes / 60:.0f} h"
    if thing.cost_high <= 0:
        return f"{time}, free"
    if thing.cost_low == thing.cost_high:
        return f"{time}, {thing.cost_high:.0f} {thing.currency}"
    return f"{time}, {thing.cost_low:.0f} to {thing.cost_high:.0f} {thing.currency}"


def list_text(knowledge: Knowledge, *, width: int = 80) -> str:
    """Give the names of all entries with their titles, as text."""
    groups: tuple[tuple[str, list[tuple[str, str]]], ...] = (
        ("Causes", [(cause.name, cause.title) for cause in knowledge.causes]),
        ("Work sheets", [(sheet.name, sheet.title) for sheet in knowledge.sheets]),
        ("Checks", [(check.name, check.title) for check in knowledge.checks]),
        ("Questions", [(seen.name, seen.question) for seen in knowledge.observations]),
    )
    lines = []
    for title, entries in groups:
        lines.append(title)
        for name, said in entries:
            lines += wrapped(said, width=width, first=f"  {name:<28}  ", rest=" " * 32)
    return "\n".join(lines) + "\n"


def entry_text(name: str, knowledge: Knowledge, *, width: int = 80) -> str:
    """Give one entry as text: a cause, a work sheet, a check or a question.

    Raises
    ------
    UsageError
        If there is no entry of that name; it names the nearest ones.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> entry_text("bleeding", load_knowledge()).splitlines()[0]
    'Bleeding: getting the air out of the steering'
    """
    for cause in knowledge.causes:
        if cause.name == name:
            return _text(_cause(cause, knowledge, width))
    for sheet in knowledge.sheets:
        if sheet.name == name:
            return _text(_sheet(sheet, knowledge, width))
    for check in knowledge.checks:
        if check.name == name:
            return _text(_check(check, knowledge, width))
    for observation in knowledge.observations:
        if observation.name == name:
            return _text(_observation(observation, knowledge, width))
    names = [
        entry.name
        for entries in (knowledge.causes, knowledge.sheets, knowledge.checks, knowledge.observations)
        for entry in entries
    ]
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.4)
    near += [other for other in names if name and name in other and other not in near][:3]
    raise UsageError(
        "there is no such entry",
        got=name or "nothing",
        allowed=f"the nearest names are {', '.join(near)}" if near else "a name of the list",
        todo="see all names with: audiodiag explain",
    )


def _text(lines: Iterable[str]) -> str:
    return "\n".join(lines) + "\n"


def _cause(cause: Cause, knowledge: Knowledge, width: int) -> list[str]:
    lines = [cause.title, ""]
    lines += wrapped(f"What to do: {cause.repair}", width=width)
    remedy = knowledge.remedy_of(cause.name)
    if cause.kind == "fault":
        lines += wrapped(f"That is {remedy.title}: {money_words(remedy)}, {_rank(remedy.rank)}.", width=width)
    sheets = [sheet.name for sheet in knowledge.sheets if cause.name in sheet.for_causes]
    if sheets:
        lines.append(f"Work sheets: {', '.join(sheets)} (audiodiag explain {sheets[0]})")
    sources: dict[str, int] = {}
    for title, links in (
        ("Sounds", [link for link in knowledge.links if link.cause == cause.name and link.symptom]),
        ("Seen or felt", [link for link in knowledge.links if link.cause == cause.name and link.observation]),
    ):
        if links:
            lines += ["", title]
        for link in sorted(links, key=lambda link: -link.strength):
            if link.symptom is not None:
                what = knowledge.symptom(link.symptom).title
            else:
                assert link.observation is not None and link.answer is not None
                what = knowledge.observation(link.observation).answer(link.answer).text
            mark = f" [{sources.setdefault(link.source, len(sources) + 1)}]"
            lines += wrapped(
                f"{what}: {link.why}{mark}",
                width=width,
                first=f"  {100 * link.strength:3.0f} %  ",
                rest=" " * 9,
            )
    lines += _how_common(cause, knowledge, width)
    telling = _telling_checks(cause, knowledge)
    if telling:
        lines += ["", "Checks that tell it"]
        for check in telling:
            lines += wrapped(f"{check.title} ({money_words(check)})", width=width, first="  - ")
    sources.setdefault(cause.source, len(sources) + 1)
    lines += ["", "Sources"]
    for source, number in sources.items():
        lines += wrapped(source, width=width, first=f"  [{number}] ")
    return lines + _care(remedy.cautions, knowledge, width)


def _how_common(cause: Cause, knowledge: Knowledge, width: int) -> list[str]:
    if cause.kind == "none":
        return []
    lines = ["", "How common"]
    said = f"Odds {cause.odds:g} to 1 against nothing at work, in a car of some 12 years and 150 000 km."
    for prior in (prior for prior in knowledge.priors if prior.cause == cause.name):
        for what, points, unit in (("age", prior.age_years, "years"), ("mileage", prior.mileage_km, "km")):
            if points:
                path = ", ".join(f"{at:g} {unit}: times {factor:g}" for at, factor in points)
                said += f" By {what}: {path}."
        for part, factor in prior.renewed:
            said += f" After renewing {part.replace('_', ' ')}: times {factor:g}."
        if prior.suction:
            said += " Where the margin at the pump's inlet is computed, the odds follow from it."
    return lines + wrapped(said, width=width, first="  ")


def _telling_checks(cause: Cause, knowledge: Knowledge) -> list[Check]:
    seen = {
        link.observation: link.strength
        for link in sorted(knowledge.links, key=lambda link: link.strength)
        if link.cause == cause.name and link.observation
    }
    able = [check for check in knowledge.checks if set(check.settles) & seen.keys()]
    able.sort(key=lambda check: check.price)
    return [check for check in able if max(seen.get(name, 0.0) for name in check.settles) >= 0.5]


def _rank(rank: str) -> str:
    return {
        "look": "by eye and ear",
        "touch": "by hand, nothing is opened",
        "work": "work on the car",
        "workshop": "for a workshop",
    }[rank]


def _sheet(sheet: Sheet, knowledge: Knowledge, width: int) -> list[str]:
    lines = [sheet.title, ""]
    lines += wrapped(
        "General values only: the maker's instructions, local rules and a licensed technician come first.",
        width=width,
    )
    lines += _care(sheet.cautions, knowledge, width)
    lines += ["", *wrapped(f"When: {sheet.when}", width=width)]
    lines += ["", "You need"]
    for need in sheet.needs:
        lines += wrapped(need, width=width, first="  - ")
    lines += ["", "Steps"]
    for number, step in enumerate(sheet.steps, 1):
        lines += wrapped(step, width=width, first=f"  {number}. ")
    lines += ["", *wrapped(f"Done when: {sheet.done_when}", width=width)]
    lines += wrapped(f"Stop if: {sheet.stop_if}", width=width)
    lines += [
        "",
        *wrapped(f"For: {', '.join(knowledge.cause(n).title for n in sheet.for_causes)}", width=width),
    ]
    return lines + wrapped(f"Source: {sheet.source}", width=width)


def _check(check: Check, knowledge: Knowledge, width: int) -> list[str]:
    lines = wrapped(f"{check.title} ({money_words(check)}, {_rank(check.rank)})", width=width)
    for name in check.settles:
        lines += ["", *_question(knowledge.observation(name), knowledge, width)]
    lines += ["", *wrapped(f"Source: {check.source}", width=width)]
    return lines + _care(check.cautions, knowledge, width)


def _observation(observation: Observation, knowledge: Knowledge, width: int) -> list[str]:
    lines = _question(observation, knowledge, width)
    checks = [check for check in knowledge.checks if observation.name in check.settles]
    if checks:
        lines += ["", "Found by"]
        for check in checks:
            lines += wrapped(f"{check.title} ({money_words(check)})", width=width, first="  - ")
    codes = tuple(code for check in checks for code in check.cautions)
    return [*lines, *_care(codes, knowledge, width)]


def _question(observation: Observation, knowledge: Knowledge, width: int) -> list[str]:
    lines = wrapped(observation.question, width=width)
    for answer in observation.answers:
        speaks = [
            f"{knowledge.cause(link.cause).title} ({100 * link.strength:.0f} %)"
            for link in sorted(knowledge.links, key=lambda link: -link.strength)
            if link.observation == observation.name and link.answer == answer.name
        ]
        meaning = f"speaks for {'; '.join(speaks)}" if speaks else "the answer of a sound car"
        lines += wrapped(f"{answer.name}: {answer.text}; {meaning}", width=width, first="  - ")
    return lines


def _care(codes: Iterable[str], knowledge: Knowledge, width: int) -> list[str]:
    kept = dict.fromkeys([*codes, CLOSING])
    lines = ["", "Take care"]
    for caution in knowledge.cautions:
        if caution.code in kept or caution.always:
            lines += wrapped(caution.text, width=width, first="  - ")
    return lines
