"""Advice in one state, as text or as plain values: what leads, what to look at next and why, when to stop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from audiodiag.causes.cautions import cautions_for
from audiodiag.causes.checks import Outcome, advice_of, outcomes_of, ranked_checks
from audiodiag.causes.entries import money_words, wrapped
from audiodiag.causes.inference import told_of
from audiodiag.causes.information import HEARD
from audiodiag.causes.knowledge import NOT_LOOKED, Cause
from audiodiag.causes.plan import Plan, plan_of
from audiodiag.causes.questions import Question, next_questions
from audiodiag.causes.state import State
from audiodiag.records import CauseFinding, CheckAdvice
from audiodiag.units import percent

__all__ = ["SCHEMA", "Advice", "Move", "advice_in", "advice_text", "move_text", "question_text", "state_text"]

SCHEMA = "audiodiag/advice/1"
LEAST_SHARE = 0.02
MOST_CAUSES = 6
MOST_CHECKS = 4
UNUSUAL = 0.05


@dataclass(frozen=True)
class Move:
    """One answer and how the ranking moved: probability of each cause before and after it."""

    observation: str
    answer: str
    before: dict[str, float]
    after: dict[str, float]

    @classmethod
    def of(cls, observation: str, answer: str, before: State, after: State) -> Move:
        """Compare two states."""
        return cls(observation, answer, _shares(before), _shares(after))


@dataclass(frozen=True, eq=False)
class Advice:
    """All that is advised in a state; ``outcomes`` belongs to ``checks``, one tuple each."""

    state: State
    causes: tuple[CauseFinding, ...]
    checks: tuple[CheckAdvice, ...]
    outcomes: tuple[tuple[Outcome, ...], ...]
    questions: tuple[Question, ...]
    plan: Plan
    cautions: tuple[str, ...]

    def plain(self, *, case: str, moves: Iterable[Move]) -> dict[str, Any]:
        """Give it as plain values for JSON, schema ``audiodiag/advice/1``."""
        state, known = self.state, self.state.knowledge
        suction = state.circumstances.suction if state.circumstances else None
        return {
            "schema": SCHEMA,
            "case": case,
            "heard": dict(state.heard),
            "saw": dict(state.seen),
            "suction": None if suction is None else _finite({**asdict(suction), "text": suction.text()}),
            "moves": [asdict(move) for move in moves],
            "causes": [asdict(cause) for cause in self.causes],
            "next_checks": [
                {
                    **asdict(check),
                    "cautions": [known.caution(code).text for code in known.check(check.name).cautions],
                    "outcomes": [asdict(outcome) for outcome in outcomes],
                }
                for check, outcomes in zip(self.checks, self.outcomes, strict=True)
            ],
            "questions": [
                {
                    "name": question.observation.name,
                    "question": question.observation.question,
                    "answers": [answer.name for answer in question.observation.answers] + [NOT_LOOKED],
                    "gain_bits": question.gain_bits,
                    "check": question.check.name if question.check else None,
                }
                for question in self.questions
            ],
            "stop_rule": {
                "checks": [check.name for check in self.plan.checks],
                "remedy": self.plan.remedy.name,
                "title": self.plan.remedy.title,
                "sheet": self.plan.remedy.sheet,
                "probability": self.plan.cure_probability,
                "text": self.plan.text(),
            },
            "cautions": list(self.cautions),
        }


def advice_in(state: State) -> Advice:
    """Give all that is advised in a state.

    >>> from audiodiag.causes import load_knowledge
    >>> advice_in(State.of({"belt_squeal": 0.9}, knowledge=load_knowledge())).checks[0].name
    'look_at_belt'
    """
    known = state.knowledge
    ranked = ranked_checks(state)[:MOST_CHECKS]
    checks = tuple(advice_of(check, gain, state) for check, gain in ranked)
    plan = plan_of(state)
    heard = [name for name, probability in state.heard.items() if probability >= HEARD]
    said = cautions_for(heard, [*checks, *plan.checks], knowledge=known, observations=state.seen)
    extra = {known.caution(code).text for code in plan.remedy.cautions} | set(said)
    return Advice(
        state=state,
        causes=told_of(state),
        checks=checks,
        outcomes=tuple(outcomes_of(check, state) for check, _ in ranked),
        questions=next_questions(state),
        plan=plan,
        cautions=tuple(caution.text for caution in known.cautions if caution.text in extra),
    )


def state_text(state: State, *, causes: bool = True, width: int = 80) -> str:
    """Say what is known at the start: sounds, answers, the margin at the pump's inlet, and what leads.

    ``causes`` leaves out what leads where `advice_text` of the same state follows and says it.
    """
    known = state.knowledge
    lines = ["What is known"]
    heard = [(name, share) for name, share in state.heard.items() if share >= HEARD]
    for name, share in sorted(heard, key=lambda pair: -pair[1]):
        lines += wrapped(f"heard: {known.symptom(name).title} ({percent(share)})", width=width, first="  ")
    if not heard:
        lines.append("  nothing is heard" if state.heard else "  no sound is known")
    for name, answer in state.told.items():
        text = known.observation(name).answer(answer).text
        how = "heard in the clip" if name in state.by_ear else "seen or felt"
        lines += wrapped(f"{how}: {text}", width=width, first="  ")
    suction = state.circumstances.suction if state.circumstances else None
    if suction is not None:
        lines += ["", "Margin at the pump's inlet", *wrapped(suction.text(), width=width, first="  ")]
    if causes:
        lines += ["", "Likely causes so far", *_ranking(told_of(state), width)]
    return "\n".join(lines) + "\n"


def question_text(question: Question, state: State, *, width: int = 80) -> str:
    """Put a question with its numbered answers, its trouble and the cautions of finding the answer."""
    by = "by heart" if question.check is None else money_words(question.check)
    head = (
        f"{question.observation.question} ({question.observation.name}; {by}; {question.gain_bits:.2f} bits)"
    )
    lines = wrapped(head, width=width)
    for number, answer in enumerate(question.observation.answers, 1):
        lines += wrapped(f"{answer.name}: {answer.text}", width=width, first=f"  {number}  ")
    lines.append(f"  0  {NOT_LOOKED} (or just Enter); q to stop")
    if question.check is not None:
        known = state.knowledge
        shorts = " ".join(known.caution(code).short for code in question.check.cautions)
        if shorts:
            lines += wrapped(f"Take care: {shorts}", width=width, first="  ")
    return "\n".join(lines) + "\n"


def move_text(move: Move, state: State, *, width: int = 80) -> str:
    """Say how an answer moved the ranking: the causes that moved most, with what they were and are."""
    known = state.knowledge
    if move.answer == NOT_LOOKED:
        return "  Not looked: nothing moves.\n"
    text = known.observation(move.observation).answer(move.answer).text
    lines = wrapped(f"{text}:", width=width, first="  ")
    moved = sorted(move.after, key=lambda name: -abs(move.after[name] - move.before[name]))[:4]
    for name in sorted(moved, key=lambda name: -move.after[name]):
        was, now = move.before[name], move.after[name]
        if abs(now - was) >= 0.005:
            said = f"{known.cause(name).title}"
            lines += wrapped(said, width=width, first=f"    {_percent(was)} -> {_percent(now)}  ")
    if len(lines) == 1:
        lines.append("    nothing moves by half a per cent")
    return "\n".join(lines) + "\n"


def advice_text(advice: Advice, *, width: int = 80) -> str:
    """Say all that is advised, as text."""
    state, known = advice.state, advice.state.knowledge
    lines = ["Likely causes", *_ranking(advice.causes, width, because=True)]
    lines += ["", "Check next"]
    for number, (check, outcomes) in enumerate(zip(advice.checks, advice.outcomes, strict=True), 1):
        entry = known.check(check.name)
        lines += wrapped(
            f"{check.title} ({money_words(entry)}; {check.gain_bits:.2f} bits)",
            width=width,
            first=f"  {number}. ",
        )
        for outcome in _worth_saying(outcomes, state):
            lines += wrapped(
                f"if {outcome.text} ({percent(outcome.probability)}): {known.cause(outcome.moved).title} "
                f"{_percent(outcome.moved_from).strip()} -> {_percent(outcome.moved_to).strip()}",
                width=width,
                first="     - ",
            )
        shorts = " ".join(known.caution(code).short for code in entry.cautions)
        if shorts:
            lines += wrapped(f"Take care: {shorts}", width=width, first="     ")
    if not advice.checks:
        lines.append("  no check says enough to be worth its trouble")
    lines += ["", "When to stop looking", *wrapped(advice.plan.text(), width=width, first="  ")]
    remedy = advice.plan.remedy
    lines += wrapped(f"That step takes {money_words(remedy)}.", width=width, first="  ")
    if remedy.sheet:
        lines += wrapped(f"How: audiodiag explain {remedy.sheet}", width=width, first="  ")
    lines += ["", "Take care"]
    for caution in advice.cautions:
        lines += wrapped(caution, width=width, first="  - ")
    sure = state.certainty[1]
    if sure >= 0.9:
        lines += [
            "",
            *wrapped(f"This is {percent(sure)} sure: look no further than the stop rule.", width=width),
        ]
    return "\n".join(lines) + "\n"


def _worth_saying(outcomes: Iterable[Outcome], state: State) -> list[Outcome]:
    """Keep the answers that are neither rare nor without effect; the normal one only where it moves much."""
    kept = []
    for outcome in outcomes:
        normal = state.knowledge.observation(outcome.observation).normal.name == outcome.answer
        moves = abs(outcome.moved_to - outcome.moved_from)
        if outcome.probability >= UNUSUAL and moves >= (0.1 if normal else 0.02):
            kept.append(outcome)
    return kept


def _ranking(causes: Iterable[CauseFinding], width: int, *, because: bool = False) -> list[str]:
    lines = []
    shown = [cause for cause in causes if cause.probability >= LEAST_SHARE][:MOST_CAUSES]
    for number, cause in enumerate(shown):
        said = cause.title
        if because and number < 3:
            said += f". {cause.because[0]}" if cause.because else ""
        lines += wrapped(said, width=width, first=f"  {_percent(cause.probability)}  ")
    return lines


def _percent(share: float) -> str:
    return f"{percent(share):>6}"


def _shares(state: State) -> dict[str, float]:
    names: list[Cause] = list(state.knowledge.at_work)
    shares = {
        cause.name: float(share) for cause, share in zip(names, state.weighed.cause_probability, strict=True)
    }
    return {**shares, state.knowledge.nothing.name: state.weighed.nothing_probability}


def _finite(plain: dict[str, Any]) -> dict[str, Any]:
    """Turn NaN into null, which JSON can say."""
    return {
        key: _finite(value) if isinstance(value, dict) else (None if value != value else value)
        for key, value in plain.items()
    }
