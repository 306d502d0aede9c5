"""What to look at next: most information for least time and money, safe and reversible things first.

A check's gain is the expected information about the causes (`audiodiag.causes.information`), its price the
middle of its cost, one's own minutes at a stated worth, and a surcharge for how invasive it is: an assumption
of this program, stated in ``prices.toml``. While nothing is heard or seen that a fault could explain, or no
such fault is probable, nothing that opens the system or goes to a workshop is advised.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from audiodiag.causes.circumstances import Circumstances
from audiodiag.causes.inference import idle_causes
from audiodiag.causes.information import grouped, joint_table, told_apart
from audiodiag.causes.knowledge import Check, Knowledge
from audiodiag.causes.state import State
from audiodiag.records import CheckAdvice, FloatArray
from audiodiag.vehicle import Vehicle

__all__ = ["Outcome", "advice_of", "next_checks", "outcomes_of", "ranked_checks"]

TIER = {"look": 0, "touch": 0, "work": 1, "workshop": 2}
"""Looking and touching come before work, work before the workshop, whatever they gain."""
PROBABLE = 0.5
"""Below this probability of a fault that explains something, only looking and touching are advised."""
LEAST_BITS = 0.02
"""A check that gains less is not advised."""


def next_checks(
    probabilities: Mapping[str, float],
    *,
    knowledge: Knowledge,
    vehicle: Vehicle | None = None,
    observations: Mapping[str, str] | None = None,
    prevalence: Mapping[str, float] | None = None,
    circumstances: Circumstances | None = None,
    most: int = 6,
) -> tuple[CheckAdvice, ...]:
    """Give the checks worth doing, best first; the arguments are those of `infer_causes`.

    Parameters
    ----------
    most:
        At most so many checks.

    Returns
    -------
    tuple of CheckAdvice
        ``gain_bits``: expected information about which of the causes that could explain what was heard or
        seen are at work, counting only questions that have not been answered yet. ``tells_apart``: titles
        of the causes that the check says most about, of those told to people where it tells any of these.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> next_checks({"cavitation_groan": 0.9}, knowledge=load_knowledge())[0].name
    'look_at_fluid'
    """
    state = State.of(
        probabilities,
        knowledge=knowledge,
        vehicle=vehicle,
        observations=observations,
        prevalence=prevalence,
        circumstances=circumstances,
    )
    return tuple(advice_of(check, gain, state) for check, gain in ranked_checks(state)[:most])


def ranked_checks(state: State) -> list[tuple[Check, float]]:
    """Give every check worth doing with its gain in bits, best first.

    First about the causes that could explain what was heard or seen; where no check tells more about these,
    about all faults.
    """
    about = [state.asked, [i for i, cause in enumerate(state.knowledge.at_work) if cause.kind == "fault"]]
    return next((ranked for asked in about if (ranked := _ranked(state, asked))), [])


def _ranked(state: State, asked: list[int]) -> list[tuple[Check, float]]:
    groups = grouped(state.weighed, asked)
    highest = TIER["workshop"] if _fault_probability(state, asked) >= PROBABLE else TIER["touch"]
    ranked = []
    for check, table in _open_tables(state):
        gain_bits = groups.gain_bits(table) if TIER[check.rank] <= highest else 0.0
        if gain_bits >= LEAST_BITS:
            ranked.append((check, gain_bits))
    ranked.sort(key=lambda pair: (TIER[pair[0].rank], -pair[1] / pair[0].price))
    return ranked


def _open_tables(state: State) -> Iterator[tuple[Check, FloatArray]]:
    """Give every check that still has a question, with the joint table of its open questions."""
    for check in state.knowledge.checks:
        names = _open(check, state)
        if names:
            yield check, joint_table(state.knowledge, names, known_pump=state.known_pump)


def _open(check: Check, state: State) -> list[str]:
    told = state.told
    return [name for name in check.settles if name not in told]


def advice_of(check: Check, gain_bits: float, state: State) -> CheckAdvice:
    """Give a check as it is advised in a state."""
    table = joint_table(state.knowledge, _open(check, state), known_pump=state.known_pump)
    idle = idle_causes(state)
    told = [index for index in state.asked if state.knowledge.at_work[index].name not in idle]
    return CheckAdvice(
        name=check.name,
        title=check.title,
        minutes=check.minutes,
        cost_low=check.cost_low,
        cost_high=check.cost_high,
        currency=check.currency,
        gain_bits=gain_bits,
        tells_apart=told_apart(state.knowledge, state.weighed, table, told)
        or told_apart(state.knowledge, state.weighed, table, state.asked),
    )


def _fault_probability(state: State, asked: list[int]) -> float:
    """Probability that a fault is at work that explains what is heard or seen; 0 where nothing is."""
    if not state.anything:
        return 0.0
    at_work = state.knowledge.at_work
    faults = [index for index in asked if at_work[index].kind == "fault"]
    return float(state.weighed.weight[state.weighed.members[:, faults].any(axis=1)].sum())


@dataclass(frozen=True)
class Outcome:
    """What one answer to one question of a check would mean.

    ``probability`` of the answer now; ``leading``, ``leading_probability``: the cause that would then lead;
    ``moved``: the cause that would move most, from ``moved_from`` to ``moved_to``.
    """

    observation: str
    answer: str
    text: str
    probability: float
    leading: str
    leading_probability: float
    moved: str
    moved_from: float
    moved_to: float


def outcomes_of(check: Check, state: State) -> tuple[Outcome, ...]:
    """Give what each answer to each open question of a check would mean, in the order of the files.

    >>> from audiodiag.causes import load_knowledge
    >>> known = load_knowledge()
    >>> state = State.of({"belt_squeal": 0.9}, knowledge=known)
    >>> [outcome.leading for outcome in outcomes_of(known.check("straightedge"), state)][1:2]
    ['misaligned_or_worn_belt']
    """
    found = []
    now = state.weighed.cause_probability
    for name in _open(check, state):
        observation = state.knowledge.observation(name)
        table = joint_table(state.knowledge, [name], known_pump=state.known_pump)
        shares = state.weighed.weight @ table
        for answer, share in zip(observation.answers, shares, strict=True):
            then = state.answered(name, answer.name)
            shares_then = then.weighed.cause_probability
            most = int(abs(shares_then - now).argmax())
            found.append(
                Outcome(
                    name,
                    answer.name,
                    answer.text,
                    float(share),
                    *then.leading,
                    moved=state.knowledge.at_work[most].name,
                    moved_from=float(now[most]),
                    moved_to=float(shares_then[most]),
                )
            )
    return tuple(found)
