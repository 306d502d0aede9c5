"""What `audiodiag case` can do, one function a deed; each prints what came of it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.errors import UsageError
from audiodiag.report.wording import percent
from audiodiag.rows import BAD_INPUT

if TYPE_CHECKING:
    from audiodiag.desk.hand import DeskAtHand
    from audiodiag.desk.tables import CaseRow

__all__ = ["DEEDS", "Deed", "Doing"]

MANY = 1000


@dataclass(frozen=True)
class Doing:
    """One deed: the desk's folder, who does it, the words after it, the options."""

    hand: DeskAtHand
    who: str
    what: list[str]
    given: dict[str, Any]
    wanted: argparse.Namespace
    tell: Callable[[str], None]

    def print_json(self, values: Any) -> int:
        """Print values for machines."""
        print(json.dumps(values, allow_nan=False))
        return 0


@dataclass(frozen=True)
class Deed:
    """A deed: how many words follow it, how they are called, whether it may make a new desk."""

    do: Callable[[Doing], int]
    takes: tuple[int, int]
    usage: str = ""
    makes: bool = False


def _list(doing: Doing) -> int:
    from audiodiag.desk.api.cases import line_values
    from audiodiag.desk.inbox import FILTERS, inbox_lines

    show = doing.given.get("show", "open")
    if show not in FILTERS:
        raise UsageError(
            "there is no such choice of cases",
            got=show,
            allowed=", ".join(FILTERS),
            todo="choose one of them",
        )
    with doing.hand.store.reading() as session:
        lines = inbox_lines(session, show=show, words=doing.given.get("words", ""))
    if doing.wanted.json:
        return doing.print_json({"cases": [line_values(line) for line in lines]})
    for line in lines:
        heard = ", ".join(f"{name.replace('_', ' ')} {percent(share)}" for name, share in line.heard)
        marks = [
            "MUST NOT DRIVE" if line.urgency.rank == 2 else "urgent" if line.urgency.rank else "",
            "new" if line.fresh else "",
            f"{line.waiting} waiting" if line.waiting else "",
            "simulated" if line.simulated else "",
        ]
        said = "; ".join([*(mark for mark in marks if mark), *([heard] if heard else [])])
        print(f"{line.case.key}  {line.case.state:8}  {line.case.title}{f' ({said})' if said else ''}")
    if not lines:
        print("No case fits this choice.")
    return 0


def _new(doing: Doing) -> int:
    from audiodiag.desk.api.views import case_values
    from audiodiag.desk.casework import described_car, open_case

    stated = _car(doing.given)
    with doing.hand.store.writing() as session:
        words, title = doing.given.get("words", ""), doing.what[0]
        case = open_case(session, doing.who, title=title, words=words, cannot_drive=doing.wanted.cannot_drive)
        if stated:
            described_car(session, doing.who, case, stated)
        session.flush()
        values = case_values(session, case, {})
    if doing.wanted.json:
        return doing.print_json(values)
    print(values["key"])
    return 0


def _car(given: dict[str, Any]) -> dict[str, str]:
    from audiodiag.desk.api.shapes import CAR_KEYS

    told = {key: repr(given[key]) for key in (*CAR_KEYS, "age_years", "mileage_km") if key in given}
    return {**told, **({"renewed": given["renewed"]} if "renewed" in given else {})}


def _add(doing: Doing) -> int:
    from audiodiag.desk.api.views import recordings_values
    from audiodiag.desk.casework import refuse_odd_telling
    from audiodiag.desk.tables import JobRow, RecordingRow

    told = {
        "purpose": doing.given.get("purpose", ""),
        "steering": doing.given.get("steering_marks", ""),
        "speed_rpm": repr(doing.given["speed_rpm"]) if "speed_rpm" in doing.given else "",
    }
    refuse_odd_telling(**told)
    case = _case(doing)
    kept = [doing.hand.keep(doing.who, case.id, Path(name), **told) for name in doing.what[1:]]
    if doing.wanted.wait:
        _wait(doing, JobRow.recording_id.in_([row.id for row in kept]))
    with doing.hand.store.reading() as session:
        rows = [session.get_one(RecordingRow, row.id) for row in kept]
        values = recordings_values(session, rows, {})
    if doing.wanted.json:
        doing.print_json({"recordings": values})
        return BAD_INPUT if any(_refused(each) for each in values) else 0
    for each in values:
        print(_recording_line(each))
    return BAD_INPUT if any(_refused(each) for each in values) else 0


def _refused(each: dict[str, Any]) -> bool:
    return bool((each["job"] or {}).get("refusal"))


def _show(doing: Doing) -> int:
    from audiodiag.desk.api.views import case_values, newest_heard, recordings_of
    from audiodiag.desk.findings import advice_for

    with doing.hand.store.reading() as session:
        case = doing.hand.case_called(session, doing.what[0])
        values = case_values(session, case, {})
        heard = newest_heard(session, recordings_of(session, case))
        cautions = advice_for(session, case, heard).cautions
    if doing.wanted.json:
        return doing.print_json(values)
    print(f"{values['title']} ({values['state']})\n\nTake care first")
    for caution in cautions:
        print(f"  - {caution}")
    if values["urgency"]["reasons"]:
        print(f"\nUrgent: {', '.join(values['urgency']['reasons'])}")
    if values["words"]:
        print(f"\n{values['words']}")
    car = {name: value for name, value in values["vehicle"].items() if value not in (None, [])}
    if car:
        print("\nThe car: " + ", ".join(f"{name.replace('_', ' ')} {_plain(car[name])}" for name in car))
    for title, lines in (
        ("Recordings", [_recording_line(each) for each in values["recordings"]]),
        ("Answers", [f"{each['name']}={each['answer']} ({each['who']})" for each in values["answers"]]),
        (
            "Notes",
            [
                f"{'to the owner: ' if each['kind'] == 'answer' else ''}{each['text']} ({each['who']})"
                for each in values["notes"]
            ],
        ),
    ):
        if lines:
            print("\n".join([f"\n{title}", *(f"  {line}" for line in lines)]))
    return 0


def _plain(value: Any) -> str:
    return " ".join(value) if isinstance(value, list) else f"{value:g}"


def _recording_line(each: dict[str, Any]) -> str:
    job = each["job"] or {"state": "", "refusal": None}
    words = {
        "symptoms": "something is heard", "normal": "nothing wrong is heard",
        "cannot_tell": "cannot tell from the sound", "not_an_engine_bay": "not an engine bay",
    }  # fmt: skip
    state = words.get(each["verdict"], "waits for a desk, or for audiodiag case work")
    if job["refusal"]:
        state = f"{job['refusal']['what']} (got {job['refusal']['got']}); {job['refusal']['todo']}"
    elif job["state"] == "running":
        state = "is being listened to"
    made = f", {each['purpose']} the work" if each["purpose"] else ""
    simulated = ", simulated clip" if each["simulated"] else ""
    return f"{each['recording']}: {each['file_name']}{made}{simulated}: {state}"


def _note(doing: Doing, *, kind: str = "note") -> int:
    from audiodiag.desk.casework import write_note

    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        write_note(session, doing.who, case, doing.what[1], kind=kind)
    print("Kept." if kind == "note" else "Kept; the owner sees it on the page of the case.")
    return 0


def _reply(doing: Doing) -> int:
    return _note(doing, kind="answer")


def _answer(doing: Doing) -> int:
    from audiodiag.causes import load_knowledge, observations_from_text
    from audiodiag.desk.casework import answer_question

    said = observations_from_text(doing.what[1:], load_knowledge())
    if not said:
        raise UsageError(
            "there is no answer that says something",
            got=" ".join(doing.what[1:]),
            allowed="name=answer, as audiodiag questions prints them",
            todo="leave out what was not looked at",
        )
    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        for name, answer in said.items():
            answer_question(session, doing.who, case, name, answer)
    print(f"Kept: {', '.join(said)}. See audiodiag case advise {case.key[:8]}")
    return 0


def _advise(doing: Doing) -> int:
    from audiodiag.causes.advice import advice_text, state_text
    from audiodiag.desk.api.views import advice_values, newest_heard, recordings_of
    from audiodiag.desk.findings import advice_for

    with doing.hand.store.reading() as session:
        case = doing.hand.case_called(session, doing.what[0])
        heard = newest_heard(session, recordings_of(session, case))
        if doing.wanted.json:
            return doing.print_json(advice_values(session, case, heard))
        advice = advice_for(session, case, heard)
    of = "no recording was listened to yet"
    if heard is not None:
        of = f"by {heard.recording.file_name}{' (simulated clip)' if heard.simulated else ''}"
    print(f"{case.title}: {of}\n{state_text(advice.state, causes=False)}\n{advice_text(advice)}", end="")
    return 0


def _compare(doing: Doing) -> int:
    from audiodiag.desk.casework import ask_comparison
    from audiodiag.desk.tables import JobRow

    before, after = (_numbers(getattr(doing.wanted, side) or []) for side in ("before", "after"))
    most = doing.hand.settings.limits.waiting_jobs
    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        stated = bool(doing.wanted.one_phone)
        row = ask_comparison(session, doing.who, case, before, after, one_phone=stated, most_waiting=most)
    return _asked(doing, row.id, JobRow.comparison_id == row.id)


def _bleed(doing: Doing) -> int:
    return _watch(doing, "bleed")


def _trend(doing: Doing) -> int:
    return _watch(doing, "trend")


def _watch(doing: Doing, kind: str) -> int:
    from audiodiag.desk.casework import ask_watch
    from audiodiag.desk.tables import JobRow

    numbers, most = _numbers(doing.what[1:]), doing.hand.settings.limits.waiting_jobs
    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        row = ask_watch(session, doing.who, case, kind, numbers, most_waiting=most)
    return _asked(doing, row.id, JobRow.comparison_id == row.id)


def _asked(doing: Doing, number: int, jobs: Any) -> int:
    """Tell what came of a comparison, a bleed watch or a course, or that it waits."""
    from audiodiag.desk.api.views import comparison_values
    from audiodiag.desk.findings import parted_changes
    from audiodiag.desk.tables import ComparisonRow

    if doing.wanted.wait:
        _wait(doing, jobs, refuse=True)
    with doing.hand.store.reading() as session:
        values = comparison_values(session, session.get_one(ComparisonRow, number))
    if doing.wanted.json:
        return doing.print_json(values)
    result = values["result"]
    if result is None:
        print(f"Asked for, number {number}: it waits for a desk, or for audiodiag case work.")
        return 0
    for caution in result["cautions"]:
        print(f"Take care: {caution}")
    if values["kind"] == "bleed":
        print(f"Air: {result['state'].replace('_', ' ')}")
    told, unheard = list(result.get("symptoms", [])), ""
    if values["kind"] == "compare":
        told, unheard = parted_changes(told)
    for each in told:
        print(each["text"])
    if unheard:
        print(f"cannot tell, not heard on either side: {unheard}")
    return 0


def _pack(doing: Doing) -> int:
    from audiodiag.desk.api.views import recordings_of, recordings_values
    from audiodiag.desk.tables import JobRow
    from audiodiag.desk.tasks import MOST_IN_PAPER, ask_parcel, files_of_job
    from audiodiag.files import write_bytes_whole

    out = Path(doing.given.get("out", ""))
    if out.suffix != ".zip":
        raise UsageError(
            "it is not said where the parcel is to be written",
            got=doing.given.get("out", "no --out"),
            allowed="--out with a name that ends in .zip",
            todo=f"audiodiag case pack {doing.what[0]} --out parcel.zip",
        )
    most = doing.hand.settings.limits.waiting_jobs
    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        said = _numbers(doing.what[1:])
        held = [] if said else recordings_values(session, recordings_of(session, case), {})
        unusable = [each["file_name"] for each in held if _refused(each)]
        chosen = said or [each["recording"] for each in held if not _refused(each)][-MOST_IN_PAPER:]
        task = ask_parcel(session, doing.who, case, chosen, most_waiting=most)
    (job,) = _wait(doing, JobRow.task_id == task.id, refuse=True)
    with doing.hand.store.reading() as session:
        (parcel,) = [file for file in files_of_job(session, job) if file.name.endswith(".zip")]
    write_bytes_whole(out, doing.hand.vault.made_of(parcel.sha256).read_bytes())
    many = "1 recording" if len(chosen) == 1 else f"{len(chosen)} recordings"
    print(f"{out}: {parcel.size_bytes / 1e6:.1f} MB, {many} without place and device")
    if unusable:
        print(f"Left out, since they cannot be used: {', '.join(unusable)}")
    return 0


def _link(doing: Doing) -> int:
    from audiodiag.desk.store import record_deed
    from audiodiag.desk.visitors import case_link

    days = doing.given.get("days", 14)
    address = doing.given.get("at", "http://127.0.0.1:8765").rstrip("/")
    if not address.startswith(("http://", "https://")):
        raise UsageError(
            "this is no address of a desk", got=address, allowed="http:// or https://, name and port",
            todo="write the address as others call the desk",
        )  # fmt: skip
    with doing.hand.store.reading() as session:
        case = doing.hand.case_called(session, doing.what[0])
    token, link = case_link(doing.hand.signer, doing.hand.store, case.id, days=days, who=doing.who)
    with doing.hand.store.writing() as session:
        record_deed(session, doing.who, "made a link", case_id=case.id, details=f"link {link.id}")
    if doing.wanted.json:
        told = {"link": link.id, "address": f"{address}/link/{token}", "expires_at": link.expires_at}
        return doing.print_json(told)
    print(f"{address}/link/{token}")
    return 0


def _state(doing: Doing) -> int:
    from audiodiag.desk.casework import set_state

    with doing.hand.store.writing() as session:
        case = doing.hand.case_called(session, doing.what[0])
        set_state(session, doing.who, case, doing.what[1])
    print(f"{case.title}: {doing.what[1]}")
    return 0


def _work(doing: Doing) -> int:
    jobs = doing.hand.waiting()
    failed = sum(row.state == "failed" for row in doing.hand.wait_for(jobs, doing.tell))
    print(f"{len(jobs)} done" + (f", {failed} of them could not be" if failed else ""))
    return 0


def _case(doing: Doing) -> CaseRow:
    with doing.hand.store.reading() as session:
        return doing.hand.case_called(session, doing.what[0])


def _wait(doing: Doing, which: Any, *, refuse: bool = False) -> list[int]:
    """Wait for jobs; a failed one is refused in its own words where that is the whole answer."""
    from sqlalchemy import select

    from audiodiag.desk.tables import JobRow

    with doing.hand.store.reading() as session:
        jobs = list(session.scalars(select(JobRow.id).where(which)))
    for row in doing.hand.wait_for(jobs, doing.tell):
        if refuse and row.state == "failed":
            said = json.loads(row.said)
            raise UsageError(
                said["what"], **{name: str(said.get(name, "")) for name in ("got", "allowed", "todo")}
            )
    return jobs


def _numbers(said: Iterable[str]) -> list[int]:
    numbers = []
    for text in said:
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            raise UsageError(
                "this is no number of a recording",
                got=text,
                allowed="numbers as audiodiag case show prints them",
                todo="see audiodiag case show KEY",
            )
        numbers.append(int(text))
    return numbers


DEEDS: dict[str, Deed] = {
    "list": Deed(_list, (0, 0)),
    "new": Deed(_new, (1, 1), "NAME", makes=True),
    "add": Deed(_add, (2, MANY), "KEY FILE..."),
    "show": Deed(_show, (1, 1), "KEY"),
    "note": Deed(_note, (2, 2), "KEY TEXT"),
    "reply": Deed(_reply, (2, 2), "KEY TEXT"),
    "answer": Deed(_answer, (2, MANY), "KEY NAME=ANSWER..."),
    "advise": Deed(_advise, (1, 1), "KEY"),
    "compare": Deed(_compare, (1, 1), "KEY --before N... --after N... [--one-phone]"),
    "bleed": Deed(_bleed, (2, MANY), "KEY N..."),
    "trend": Deed(_trend, (4, MANY), "KEY N N N..."),
    "pack": Deed(_pack, (1, MANY), "KEY [N...] --out FILE.zip"),
    "link": Deed(_link, (1, 1), "KEY"),
    "state": Deed(_state, (2, 2), "KEY open|answered|closed"),
    "work": Deed(_work, (0, 0)),
}
"""What can be done; the words of each stand after it."""
