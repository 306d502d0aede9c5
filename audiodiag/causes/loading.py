"""From the files of ``data/`` to knowledge that holds together: read, validated, every link resolved."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from audiodiag.causes.knowledge import (
    NOT_LOOKED,
    Answer,
    Cause,
    Caution,
    Check,
    Knowledge,
    Link,
    Observation,
    Prior,
    Remedy,
    Sheet,
    Symptom,
)
from audiodiag.causes.prices import Band, Prices, read_prices
from audiodiag.causes.schema import read_file, read_sheet, refused
from audiodiag.records import SYMPTOMS

__all__ = ["load_knowledge"]

_DATA = Path(__file__).resolve().parent / "data"


def load_knowledge(folder: str | Path | None = None, *, prices: str | Path | None = None) -> Knowledge:
    """Read, validate and resolve the knowledge; the shipped files are read once and kept.

    Parameters
    ----------
    folder:
        A folder with all the files; the shipped one if left out.
    prices:
        A file of prices of one's own; what it leaves out keeps the price of the folder's own file.

    Raises
    ------
    KnowledgeError
        Naming the file, the record and the key, what was got and what is allowed.

    Examples
    --------
    >>> load_knowledge().cause("slipping_belt").title
    'Belt slipping (slack, glazed or oily)'
    """
    if prices is not None:
        return _read(_DATA if folder is None else Path(folder), Path(prices))
    return _shipped() if folder is None else _read(Path(folder))


@functools.lru_cache(maxsize=1)
def _shipped() -> Knowledge:
    return _read(_DATA)


def _read(folder: Path, own_prices: Path | None = None) -> Knowledge:
    symptoms = tuple(Symptom(**entry) for entry in read_file(folder, "symptoms.toml"))
    _unique("symptoms.toml", [symptom.name for symptom in symptoms])
    if sorted(symptom.name for symptom in symptoms) != sorted(SYMPTOMS):
        raise refused(
            "symptoms.toml",
            "does not hold the six symptoms",
            got=", ".join(symptom.name for symptom in symptoms),
            allowed=", ".join(SYMPTOMS),
            todo="name each of the six once",
        )
    causes = _causes(read_file(folder, "causes.toml"))
    observations = _observations(read_file(folder, "observations.toml"))
    links = _links(read_file(folder, "links.toml"), causes, observations)
    cautions = _cautions(read_file(folder, "cautions.toml"), observations)
    check_entries = read_file(folder, "checks.toml")
    remedy_entries = read_file(folder, "remedies.toml")
    check_names = [entry["name"] for entry in check_entries]
    remedy_names = [entry["name"] for entry in remedy_entries]
    prices = read_prices(folder / "prices.toml", checks=check_names, remedies=remedy_names)
    if own_prices is not None:
        prices = read_prices(own_prices, checks=check_names, remedies=remedy_names, base=prices)
    checks = _checks(check_entries, observations, cautions, prices)
    sheets = _sheets(folder, causes, cautions)
    remedies = _remedies(remedy_entries, causes, cautions, sheets, prices)
    priors = _priors(read_file(folder, "priors.toml"), causes)
    linked = {link.cause for link in links}
    for cause in causes:
        if cause.kind != "none" and cause.name not in linked:
            raise refused(
                f"links.toml: cause {cause.name}",
                "has no link",
                got="none",
                allowed="at least one link for each cause",
                todo="add a link or remove the cause",
            )
    return Knowledge(
        symptoms, causes, observations, links, checks, cautions, remedies, priors, sheets, prices
    )


def _unique(place: str, names: list[str]) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise refused(
                place, f"{name} stands twice", got=name, allowed="each name once", todo="rename or remove one"
            )


def _known(place: str, key: str, name: str, names: Iterable[str]) -> None:
    allowed = tuple(names)
    if name not in allowed:
        raise refused(
            place,
            f"{key} names what is not there",
            got=name,
            allowed=", ".join(allowed),
            todo="correct the name",
        )


def _causes(entries: list[dict[str, Any]]) -> tuple[Cause, ...]:
    _unique("causes.toml", [entry["name"] for entry in entries])
    empty = [entry["name"] for entry in entries if entry["kind"] == "none"]
    if len(empty) != 1:
        raise refused(
            "causes.toml",
            "needs exactly one cause of kind none",
            got=", ".join(empty) or "none",
            allowed="one, the empty case",
            todo="mark nothing_wrong as kind none and no other",
        )
    for entry in entries:
        if (entry["kind"] == "none") == ("odds" in entry):
            raise refused(
                f"causes.toml: {entry['name']}",
                "odds do not fit the kind",
                got=f"kind {entry['kind']} and odds {entry.get('odds', 'left out')}",
                allowed="odds for every cause but the one of kind none",
                todo="add or remove odds",
            )
    causes = [Cause(**{"odds": 1.0, **entry}) for entry in entries]
    return tuple(sorted(causes, key=lambda cause: cause.kind == "none"))


def _observations(entries: list[dict[str, Any]]) -> tuple[Observation, ...]:
    _unique("observations.toml", [entry["name"] for entry in entries])
    observations = []
    for entry in entries:
        place = f"observations.toml: {entry['name']}"
        answers = entry["answers"]
        names = [answer["name"] for answer in answers]
        _unique(place, names)
        _known(place, "normal", entry["normal"], names)
        if NOT_LOOKED in names or len(names) < 2:
            raise refused(
                place,
                "has answers that cannot be used",
                got=", ".join(names),
                allowed=f"two or more, without {NOT_LOOKED}, which is always there",
                todo="correct the answers",
            )
        for answer in answers:
            if (answer["name"] == entry["normal"]) == ("leak" in answer):
                raise refused(
                    f"{place}, answer {answer['name']}",
                    "leak does not fit",
                    got=f"leak {answer.get('leak', 'left out')}",
                    allowed="a leak for every answer but the normal one",
                    todo="add or remove leak",
                )
        made = [Answer(answer["name"], answer["text"], answer.get("leak", 0.0)) for answer in answers]
        normal = next(answer for answer in made if answer.name == entry["normal"])
        others = tuple(answer for answer in made if answer is not normal)
        memory = entry.get("from_memory", False)
        observations.append(
            Observation(entry["name"], entry["question"], normal, others, entry["source"], memory)
        )
    return tuple(observations)


def _links(
    entries: list[dict[str, Any]], causes: tuple[Cause, ...], observations: tuple[Observation, ...]
) -> tuple[Link, ...]:
    answers = {observation.name: observation for observation in observations}
    at_work = [cause.name for cause in causes if cause.kind != "none"]
    links: list[Link] = []
    for number, entry in enumerate(entries, start=1):
        place = f"links.toml: [[link]] number {number} ({entry['cause']})"
        _known(place, "cause", entry["cause"], at_work)
        symptom, observation = entry.get("symptom"), entry.get("observation")
        if (symptom is None) == (observation is None) or (observation is None) != ("answer" not in entry):
            raise refused(
                place,
                "names no single thing",
                got=", ".join(key for key in ("symptom", "observation", "answer") if key in entry)
                or "nothing",
                allowed="a symptom, or an observation with its answer",
                todo="name one of them",
            )
        if symptom is not None:
            _known(place, "symptom", symptom, SYMPTOMS)
        else:
            _known(place, "observation", entry["observation"], answers)
            others = [answer.name for answer in answers[entry["observation"]].others]
            _known(place, "answer", entry["answer"], others)
        link = Link(
            cause=entry["cause"],
            symptom=symptom,
            observation=observation,
            answer=entry.get("answer"),
            strength=float(entry["strength"]),
            strength_when_pump_known=float(entry.get("strength_when_pump_known", entry["strength"])),
            why=entry["why"],
            source=entry["source"],
        )
        links.append(link)
    ends = [(link.cause, link.symptom or "", link.observation or "", link.answer or "") for link in links]
    _unique("links.toml", [" ".join(part for part in end if part) for end in ends])
    return tuple(links)


def _cautions(entries: list[dict[str, Any]], observations: tuple[Observation, ...]) -> tuple[Caution, ...]:
    _unique("cautions.toml", [entry["code"] for entry in entries])
    possible = {
        f"{seen.name}={answer.name}": (seen.name, answer.name)
        for seen in observations
        for answer in seen.answers
    }
    cautions = []
    for entry in entries:
        place = f"cautions.toml: {entry['code']}"
        for name in entry.get("symptoms", []):
            _known(place, "symptoms", name, SYMPTOMS)
        for name in entry.get("observations", []):
            _known(place, "observations", name, possible)
        caution = Caution(
            code=entry["code"],
            text=entry["text"],
            short=entry["short"],
            always=entry.get("always", False),
            symptoms=tuple(entry.get("symptoms", [])),
            observations=tuple(possible[name] for name in entry.get("observations", [])),
            source=entry["source"],
        )
        cautions.append(caution)
    return tuple(cautions)


def _checks(
    entries: list[dict[str, Any]],
    observations: tuple[Observation, ...],
    cautions: tuple[Caution, ...],
    prices: Prices,
) -> tuple[Check, ...]:
    _unique("checks.toml", [entry["name"] for entry in entries])
    checks = []
    for entry in entries:
        place = f"checks.toml: {entry['name']}"
        for name in entry["settles"]:
            _known(place, "settles", name, (observation.name for observation in observations))
        for code in entry.get("cautions", []):
            _known(place, "cautions", code, (caution.code for caution in cautions))
        if not entry["settles"]:
            raise refused(
                place,
                "settles nothing",
                got="an empty list",
                allowed="one observation or more",
                todo="name what it answers",
            )
        checks.append(
            Check(
                name=entry["name"],
                title=entry["title"],
                **_effort(entry, prices, prices.check[entry["name"]]),
                settles=tuple(entry["settles"]),
                cautions=tuple(entry.get("cautions", ())),
                source=entry["source"],
            )
        )
    return tuple(checks)


def _effort(entry: Mapping[str, Any], prices: Prices, band: Band) -> dict[str, Any]:
    minutes = float(entry["minutes"])
    return {
        "minutes": minutes,
        "cost_low": band.low,
        "cost_high": band.high,
        "currency": prices.currency,
        "rank": entry["rank"],
        "price": prices.weight(band, minutes, entry["rank"]),
    }


def _remedies(
    entries: list[dict[str, Any]],
    causes: tuple[Cause, ...],
    cautions: tuple[Caution, ...],
    sheets: tuple[Sheet, ...],
    prices: Prices,
) -> tuple[Remedy, ...]:
    _unique("remedies.toml", [entry["name"] for entry in entries])
    remedies = []
    for entry in entries:
        place = f"remedies.toml: {entry['name']}"
        for name in entry["cures"]:
            _known(place, "cures", name, (cause.name for cause in causes))
        for code in entry.get("cautions", []):
            _known(place, "cautions", code, (caution.code for caution in cautions))
        if "sheet" in entry:
            _known(place, "sheet", entry["sheet"], (sheet.name for sheet in sheets))
        remedies.append(
            Remedy(
                name=entry["name"],
                title=entry["title"],
                cures=tuple(entry["cures"]),
                **_effort(entry, prices, prices.remedy[entry["name"]]),
                sheet=entry.get("sheet"),
                cautions=tuple(entry.get("cautions", ())),
                source=entry["source"],
            )
        )
    _unique("remedies.toml: cures", [name for remedy in remedies for name in remedy.cures])
    cured = {name for remedy in remedies for name in remedy.cures}
    for cause in causes:
        if cause.name not in cured:
            raise refused(
                f"remedies.toml: cause {cause.name}",
                "is cured by nothing",
                got="no remedy that names it",
                allowed="one remedy for each cause",
                todo="add it to the cures of a remedy",
            )
    return tuple(remedies)


def _priors(entries: list[dict[str, Any]], causes: tuple[Cause, ...]) -> tuple[Prior, ...]:
    _unique("priors.toml", [entry["cause"] for entry in entries])
    for entry in entries:
        at_work = (cause.name for cause in causes if cause.kind != "none")
        _known(f"priors.toml: {entry['cause']}", "cause", entry["cause"], at_work)
    return tuple(
        Prior(
            cause=entry["cause"],
            age_years=_points(entry.get("age_years", [])),
            mileage_km=_points(entry.get("mileage_km", [])),
            renewed=tuple((part["part"], float(part["factor"])) for part in entry.get("renewed", [])),
            suction=entry.get("suction", False),
            source=entry["source"],
        )
        for entry in entries
    )


def _points(pairs: list[list[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(value), float(factor)) for value, factor in pairs)


def _sheets(folder: Path, causes: tuple[Cause, ...], cautions: tuple[Caution, ...]) -> tuple[Sheet, ...]:
    sheets = []
    for path in sorted((folder / "sheets").glob("*.toml")):
        entry = read_sheet(path)
        place = f"sheets/{path.name}"
        for name in entry["for_causes"]:
            _known(place, "for_causes", name, (cause.name for cause in causes))
        for code in entry["cautions"]:
            _known(place, "cautions", code, (caution.code for caution in cautions))
        lists = {key: tuple(entry[key]) for key in ("for_causes", "needs", "steps", "cautions")}
        sheets.append(Sheet(**{**entry, **lists}))
    return tuple(sheets)
