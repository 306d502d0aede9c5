"""What probably causes the sounds, how sure one can be, and why: causes with probabilities and reasons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from audiodiag.causes.circumstances import Circumstances, circumstance_words
from audiodiag.causes.information import HEARD
from audiodiag.causes.knowledge import Cause, Knowledge, Link
from audiodiag.causes.state import State
from audiodiag.records import CauseFinding
from audiodiag.units import percent
from audiodiag.vehicle import Vehicle

__all__ = ["findings_of", "idle_causes", "infer_causes", "told_of"]

ABSENT = 0.2
"""Up to this probability a symptom is spoken of as not heard."""
TELLING = 0.5
"""A link at least this strong is worth naming when its sign is absent."""


def infer_causes(
    probabilities: Mapping[str, float],
    *,
    knowledge: Knowledge,
    vehicle: Vehicle | None = None,
    observations: Mapping[str, str] | None = None,
    prevalence: Mapping[str, float] | None = None,
    circumstances: Circumstances | None = None,
    by_ear: Iterable[str] = (),
    every: bool = True,
) -> tuple[CauseFinding, ...]:
    """Give every cause with its probability and what speaks for and against it, what leads first.

    The rest follow, the most probable first. What leads is said by `findings_of`.

    Parameters
    ----------
    probabilities:
        Symptom name to probability 0..1; NaN or left out: could not be judged in this recording.
    knowledge:
        From `load_knowledge`.
    vehicle:
        If pulley ratio and vane count are stated, a whine counts as tied to the pump.
    observations:
        Observation name to answer; ``not_looked`` says nothing.
    prevalence:
        Share of each symptom among the classifier's training clips; the knowledge's own where left out.
    circumstances:
        Age, mileage, parts renewed lately, suction margin: they change the prior odds.
    by_ear:
        The observations that the clip itself answered: they are worded as heard, not as seen.
    every:
        False leaves out, as `told_of` does, what explains without a repair only sounds that are not heard.

    Returns
    -------
    tuple of CauseFinding
        One for each cause. A probability is that of the cause being at work, alone or with others; that of
        the empty case (``nothing_wrong``) is that of no cause at all. So each is between 0 and 1, and
        together they make ``1 + sum over k of (k - 1) P(k at work)``, k from 2 to 4: two faults, the relief
        valve doing its duty and cold, thick fluid. Exact for at most two faults at once: see
        `audiodiag.causes.network`.

    Raises
    ------
    UsageError
        If a symptom, an observation or an answer is not known, or a probability is none.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> found = infer_causes({"belt_squeal": 0.95, "belt_chirp": 0.02}, knowledge=load_knowledge())
    >>> found[0].name, found[0].because[0][:41]
    ('slipping_belt', 'A squeal is heard (probability 95 %): the')
    """
    state = State.of(
        probabilities,
        knowledge=knowledge,
        vehicle=vehicle,
        observations=observations,
        prevalence=prevalence,
        circumstances=circumstances,
        by_ear=by_ear,
    )
    return findings_of(state) if every else told_of(state)


def findings_of(state: State) -> tuple[CauseFinding, ...]:
    """Give every cause of a state as `infer_causes` does.

    What leads is the fault to repair that is likeliest, wherever some fault is likelier than none: a normal
    noise, which is heard beside many a fault, goes before it in probability but asks for nothing.
    """
    knowledge, seen = state.knowledge, state.told
    shares = state.weighed.cause_probability
    found = [
        CauseFinding(cause.name, cause.title, _bounded(share), _because(cause, state))
        for cause, share in zip(knowledge.at_work, shares, strict=True)
    ]
    nothing = knowledge.nothing
    found.append(
        CauseFinding(
            nothing.name,
            nothing.title,
            _bounded(state.weighed.nothing_probability),
            _because_nothing(state.heard, seen, knowledge),
        )
    )
    first, _ = state.certainty
    leads = first if first != nothing.name else None
    return tuple(sorted(found, key=lambda finding: (finding.name != leads, -finding.probability)))


def told_of(state: State) -> tuple[CauseFinding, ...]:
    """Give the causes of a state that are told to people, as `findings_of` orders and weighs them.

    Left out is a cause that asks for no repair, whose every sound is judged and below ``HEARD``, and for
    which nothing that is seen speaks: nobody needs a harmless explanation of what is not there.

    >>> from audiodiag.causes import load_knowledge
    >>> groan = State.of({"cavitation_groan": 0.8, "relief_hiss": 0.2}, knowledge=load_knowledge())
    >>> "relief_valve_at_stop" in [finding.name for finding in told_of(groan)]
    False
    """
    idle = idle_causes(state)
    return tuple(finding for finding in findings_of(state) if finding.name not in idle)


def idle_causes(state: State) -> frozenset[str]:
    """Name the causes at work that `told_of` leaves out."""
    return frozenset(cause.name for cause in state.knowledge.at_work if _idle(cause, state))


def _idle(cause: Cause, state: State) -> bool:
    """Whether a cause would explain, without a repair, only what is neither heard nor seen.

    A sound that could not be judged may be there, so it does not make its cause idle.
    """
    if cause.kind != "normal":
        return False
    links = [link for link in state.knowledge.links if link.cause == cause.name]
    sounds = [state.heard.get(link.symptom, HEARD) for link in links if link.symptom is not None]
    seen = any(
        link.observation is not None and state.told.get(link.observation) == link.answer for link in links
    )
    return not seen and all(probability < HEARD for probability in sounds)


def _bounded(share: float) -> float:
    return min(1.0, max(0.0, float(share)))


def _because(cause: Cause, state: State) -> tuple[str, ...]:
    """Say what speaks for the cause, what against it, and what the sound cannot tell.

    What was seen comes before what was heard, and that before what is perhaps there; of sounds that which
    speaks loudest: the probability of the sound times its tie to the cause.
    """
    knowledge, heard, seen = state.knowledge, state.heard, state.told
    spoken: list[tuple[float, str]] = []
    against: list[str] = []
    limits: list[str] = []
    for link in (link for link in knowledge.links if link.cause == cause.name):
        if link.symptom is not None:
            _speak_of_sound(link, heard, knowledge, spoken, against, limits)
        elif link.observation in seen:
            _speak_of_sight(link, state, spoken, against)
    for_it = [said for _, said in sorted(spoken, key=lambda pair: -pair[0])]
    if limits and heard.get("pump_whine", 0.0) >= HEARD and not state.known_pump:
        tied = [link for link in knowledge.links if link.cause == cause.name and link.symptom == "pump_whine"]
        if tied:
            limits.append(
                "Pulley ratio and vane count are not stated, so the whine is not proved to be the pump's."
            )
    life = circumstance_words(cause.name, state.circumstances, state.factors, knowledge)
    if life:
        (for_it if "more likely" in life else against).append(life)
    if not for_it and not against:
        for_it.append("Nothing heard or seen speaks for it or against it.")
    if cause.kind == "normal" and for_it:
        limits.append("This is no fault: " + cause.repair[0].lower() + cause.repair[1:])
    return tuple(dict.fromkeys([*for_it, *against, *limits]))


def _speak_of_sound(
    link: Link,
    heard: Mapping[str, float],
    knowledge: Knowledge,
    spoken: list[tuple[float, str]],
    against: list[str],
    limits: list[str],
) -> None:
    assert link.symptom is not None
    symptom = knowledge.symptom(link.symptom)
    probability = heard.get(symptom.name)
    if probability is None:
        if link.strength >= TELLING:
            limits.append(f"Whether there is a {symptom.title} could not be judged in this recording.")
    elif probability >= HEARD:
        said = f"{symptom.heard} (probability {percent(probability)}): {link.why}."
        spoken.append((1.0 + probability * link.strength, said))
        limits.append(symptom.cannot_tell)
    elif probability > ABSENT:
        said = f"Perhaps there is a {symptom.title} (probability {percent(probability)}): {link.why}."
        spoken.append((probability * link.strength, said))
    elif link.strength >= TELLING:
        against.append(f"Against it: no {symptom.title} is heard (probability {percent(probability)}).")


def _speak_of_sight(link: Link, state: State, spoken: list[tuple[float, str]], against: list[str]) -> None:
    assert link.observation is not None
    observation = state.knowledge.observation(link.observation)
    answer = observation.answer(state.told[observation.name])
    if answer.name == link.answer:
        if observation.name in state.by_ear:
            said = f"Heard in the clip: {answer.text}; {link.why}."
        else:
            said = f"Seen or felt: {answer.text}; {link.why}."
        spoken.append((2.0 + link.strength, said))
    elif answer.name == observation.normal.name and link.strength >= TELLING:
        against.append(f"Against it: {answer.text}.")


def _because_nothing(
    heard: Mapping[str, float], seen: Mapping[str, str], knowledge: Knowledge
) -> tuple[str, ...]:
    said = []
    loud = [(name, value) for name, value in heard.items() if value >= HEARD]
    for name, value in sorted(loud, key=lambda pair: -pair[1]):
        said.append(
            f"Against it: {knowledge.symptom(name).heard[0].lower()}{knowledge.symptom(name).heard[1:]} "
            f"(probability {percent(value)})."
        )
    if heard and not loud:
        name, value = max(heard.items(), key=lambda pair: pair[1])
        title = knowledge.symptom(name).title
        said.append(f"No symptom is probable; the nearest is {title} (probability {percent(value)}).")
    for name, answer_name in seen.items():
        observation = knowledge.observation(name)
        if answer_name != observation.normal.name:
            said.append(f"Against it: {observation.answer(answer_name).text}.")
    if len(heard) < len(knowledge.symptoms):
        said.append("Not every symptom could be judged in this recording.")
    return tuple(said)
