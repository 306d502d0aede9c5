"""`audiodiag advise CASE`: ask what tells most, show how the ranking moves, say what to check next.

On a terminal the questions are put one after the other; in a pipe answers are taken one a line as long as
they come. At the end of the input, or at ``q``, the advice is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from audiodiag.commands.inputs import values_of
from audiodiag.errors import UsageError
from audiodiag.options import LIFE_OPTIONS, PRICES_OPTION, Option

if TYPE_CHECKING:
    from audiodiag.causes.advice import Move
    from audiodiag.causes.questions import Question
    from audiodiag.causes.state import State

__all__ = ["OPTIONS", "run"]

WAIT_S = 2.0
"""So long a pipe may keep us waiting for an answer before it counts as ended."""
_SUCTION = "the suction line"


def _number(flag: str, field: str, say: str, unit: str, low: float, high: float, default: str) -> Option:
    return Option(
        flag,
        field,
        "number",
        _SUCTION,
        say,
        metavar=unit.upper(),
        default=default,
        low=low,
        high=high,
        unit=unit,
    )


_SUCTION_OPTIONS = (
    _number(
        "--fluid-temperature", "fluid_temperature_c", "the fluid's temperature; gives the margin at the "
        "pump's inlet",
        "C", -45, 150, "not computed",
    ),
    _number("--hose-bore", "hose_bore_mm", "inner diameter of the suction hose", "mm", 4, 40, "14"),
    _number("--hose-length", "hose_length_m", "length of the suction hose", "m", 0.02, 3, "0.4"),
    _number("--fluid-40", "viscosity_40_mm2_s", "the fluid's viscosity at 40 C", "mm2/s", 5, 500, "36"),
    _number("--fluid-100", "viscosity_100_mm2_s", "the fluid's viscosity at 100 C", "mm2/s", 1, 60, "7.5"),
    _number("--pump-volume", "displacement_cm3", "what the pump moves in one turn", "cm3", 2, 40, "9.6"),
    _number("--pump-speed", "pump_rpm", "speed of the pump, not of the engine", "rpm", 100, 10000, "900"),
)  # fmt: skip

OPTIONS: tuple[Option, ...] = (
    Option("--json", "json", "flag", "the answer", "print one JSON object, asking nothing"),
    Option(
        "--saw", "saw", "text", "what was seen",
        "answer to one of the questions about the car, for example fluid_level=low",
        metavar="KEY=ANSWER", repeats=True,
    ),
    Option(
        "--answers", "answers", "text", "what was seen",
        "file (TOML) with [saw] name = \"answer\", [car] and [suction]; options override it",
        metavar="FILE",
    ),
    Option("--no-questions", "no_questions", "flag", "what was seen", "ask nothing"),
    Option(
        "--vehicle", "vehicle", "text", "the car",
        "file (TOML) that says what is known of the car", metavar="FILE",
    ),
    *LIFE_OPTIONS,
    PRICES_OPTION,
    *_SUCTION_OPTIONS,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Take what is known, ask for more, print the advice."""
    from audiodiag.causes.advice import Move, advice_in, advice_text, move_text, state_text

    name, simulated, state, saw = _start(wanted)
    talk = not wanted.json
    moves: list[Move] = []
    if talk:
        answers_follow = bool(saw) or not wanted.no_questions
        sys.stdout.write(f"{name}\n{state_text(state, causes=answers_follow)}")
    for observation, answer in saw.items():
        after = state.answered(observation, answer)
        moves.append(Move.of(observation, answer, state, after))
        state = after
        if talk:
            sys.stdout.write(f"\n{move_text(moves[-1], state)}")
    if talk and not wanted.no_questions:
        state = _ask_on(state, moves, _reader())
    advice = advice_in(state)
    if wanted.json:
        told = {**advice.plain(case=name, moves=moves), "simulated": simulated}
        print(json.dumps(told, allow_nan=False))
    else:
        sys.stdout.write(f"\n{advice_text(advice)}")
    return 0


def _start(wanted: argparse.Namespace) -> tuple[str, bool, State, dict[str, str]]:
    """Read the case and all that was stated; the answers are kept apart so that each can show its move."""
    from audiodiag.causes import load_knowledge, observations_from_text
    from audiodiag.causes.answers import Answers, circumstances_of, read_answers
    from audiodiag.causes.state import State
    from audiodiag.classifier.store import load_model

    given = values_of(wanted, OPTIONS)
    knowledge = load_knowledge(prices=given.get("prices"))
    stated = read_answers(given["answers"], knowledge) if "answers" in given else Answers({}, {}, {})
    saw = {**stated.saw, **observations_from_text(wanted.saw or [], knowledge)}
    life: dict[str, Any] = {key: given[key] for key in ("age_years", "mileage_km") if key in given}
    car: dict[str, Any] = {**stated.car, **life}
    if "renewed" in given:
        car["renewed"] = [part.strip() for part in given["renewed"].split(",") if part.strip()]
    fields = [option.field for option in _SUCTION_OPTIONS]
    suction: dict[str, Any] = {**stated.suction, **{key: given[key] for key in fields if key in given}}
    circumstances = circumstances_of(car, suction, knowledge)
    vehicle = None
    if "vehicle" in given:
        from audiodiag.vehicle import read_vehicle

        vehicle = read_vehicle(given["vehicle"])
    name, simulated, heard, answered = _case(wanted.case, vehicle)
    state = State.of(
        heard,
        knowledge=knowledge,
        observations=answered,
        vehicle=vehicle,
        prevalence=load_model().shares,
        circumstances=circumstances,
        by_ear=answered,
    )
    return name, simulated, state, saw


def _case(case: str | None, vehicle: Any) -> tuple[str, bool, Mapping[str, float], dict[str, str]]:
    """Give the case's name, whether its clip was simulated, its sounds and what the clip itself answers."""
    from audiodiag.causes import observations_heard
    from audiodiag.causes.case import looks_like_json, read_case
    from audiodiag.report.wording import VERDICT_WORDS, is_simulated

    if case is None:
        return "No clip: advice from what is seen and felt.", False, {}, {}
    if looks_like_json(case):
        told = read_case(case)
        name = told.name + _called(told.name, told.simulated)
        said = VERDICT_WORDS.get(told.verdict, told.verdict).lower()
        return f"{name} ({said})", told.simulated, told.probabilities, {}
    if not os.path.exists(case) and "." not in os.path.basename(case):  # noqa: PTH110, PTH119
        raise UsageError(
            "the case cannot be read",
            got=case,
            allowed="a recording, a line of audiodiag analyse --json in a file, or nothing",
            todo="check the path, or leave the case out",
        )
    from audiodiag.analysis import analyse

    found = analyse(case, vehicle=vehicle)
    simulated = is_simulated(found.clip)
    name = f"{case}{_called(case, simulated)}: {found.verdict.text}"
    if found.verdict.kind not in ("symptoms", "normal"):
        return name, simulated, {}, {}
    heard = {symptom.name: symptom.probability for symptom in found.symptoms}
    return name, simulated, heard, observations_heard(found.symptoms, found.phases)


def _called(name: str, simulated: bool) -> str:
    """Give what is said behind the name of a simulated clip that does not say so itself."""
    return ", a simulated clip" if simulated and "simulated" not in os.path.basename(name).lower() else ""  # noqa: PTH119


def _ask_on(state: State, moves: list[Move], read: Callable[[], str | None]) -> State:
    """Put the most telling question until nothing tells, it is sure enough, or the input ends."""
    from audiodiag.causes.advice import Move, move_text, question_text
    from audiodiag.causes.questions import next_questions

    while state.certainty[1] < 0.9 and (open_questions := next_questions(state)):
        question = open_questions[0]
        sys.stdout.write(f"\n{question_text(question, state)}> ")
        sys.stdout.flush()
        answer = _answer(question, read)
        if answer is None:
            sys.stdout.write("\n")
            break
        after = state.answered(question.observation.name, answer)
        moves.append(Move.of(question.observation.name, answer, state, after))
        state = after
        sys.stdout.write(move_text(moves[-1], state))
    return state


def _answer(question: Question, read: Callable[[], str | None]) -> str | None:
    """Read until an answer is understood; None at ``q`` and at the end of the input."""
    from audiodiag.causes import NOT_LOOKED

    names = [answer.name for answer in question.observation.answers]
    while True:
        line = read()
        if line is None or line.strip().casefold() in ("q", "quit", "stop"):
            return None
        said = line.strip().casefold().removeprefix(f"{question.observation.name}=").strip()
        if said in ("", "0", "?", NOT_LOOKED):
            return NOT_LOOKED
        if said in names:
            return said
        if said.isascii() and said.isdigit() and 1 <= int(said[:6]) <= len(names):
            return names[int(said[:6]) - 1]
        begun = [name for name in names if name.startswith(said)]
        if len(begun) == 1:
            return begun[0]
        sys.stdout.write(f"  answer with 0 to {len(names)} or one of {', '.join(names)}\n> ")
        sys.stdout.flush()


def _reader() -> Callable[[], str | None]:
    """Give a function that reads one line, None at the end; a silent pipe ends after a short wait."""
    stream = sys.stdin
    if stream is None or stream.closed:
        return lambda: None
    try:
        handle = stream.fileno()
    except (OSError, ValueError, AttributeError):  # a stream in memory
        return lambda: stream.readline() or None
    if stream.isatty():
        return lambda: stream.readline() or None
    waiting = bytearray()

    def read() -> str | None:
        while b"\n" not in waiting:
            try:
                ready, _, _ = select.select([handle], [], [], WAIT_S)
                more = os.read(handle, 65536) if ready else b""
            except (OSError, ValueError):  # a handle that cannot be waited for, or that was closed
                more = b""
            if not more:
                break
            waiting.extend(more)
        line, _, rest = bytes(waiting).partition(b"\n")
        ended = not waiting
        waiting[:] = rest
        return None if ended else line.decode("utf-8", errors="replace")

    return read
