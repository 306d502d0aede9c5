"""Answers of a person, and what the clip itself answers, on their way into the inference.

`validated_probabilities` and `validated_observations` are the edge: behind them the room trusts its values.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping

from audiodiag.causes.knowledge import NOT_LOOKED, Knowledge
from audiodiag.errors import UsageError
from audiodiag.records import PhaseName, Phases, SymptomFinding

__all__ = [
    "observations_from_text",
    "observations_heard",
    "unknown_name",
    "validated_observations",
    "validated_probabilities",
]

HEARD_CONFIDENCE = 0.8
"""Phases less sure than this answer nothing."""
LEAST_PHASE_S = 1.0
"""A phase shorter than this, in all, answers nothing."""


def unknown_name(what: str, got: str, allowed: Iterable[str]) -> UsageError:
    """Build the refusal of a name that is not known, with the nearest one that is."""
    names = tuple(allowed)
    near = difflib.get_close_matches(got, names, n=1, cutoff=0.4)
    return UsageError(
        f"{what} is not known",
        got=got or "nothing",
        allowed=", ".join(names),
        todo=f"did you mean {near[0]}?" if near else "use one of these",
    )


def validated_probabilities(probabilities: Mapping[str, float], knowledge: Knowledge) -> dict[str, float]:
    """Return the probabilities of the symptoms that could be judged; NaN means not judged and is left out.

    Raises
    ------
    UsageError
        If a symptom is unknown or a probability is outside 0 to 1.
    """
    names = [symptom.name for symptom in knowledge.symptoms]
    for name, probability in probabilities.items():
        if name not in names:
            raise unknown_name("the symptom", name, names)
        if not math.isnan(probability) and not 0.0 <= probability <= 1.0:
            raise UsageError(
                f"the probability of {name} cannot be used",
                got=f"{probability:g}",
                allowed="0 to 1, or NaN where the symptom could not be judged",
                todo="correct it",
            )
    return {name: value for name, value in probabilities.items() if not math.isnan(value)}


def validated_observations(observations: Mapping[str, str] | None, knowledge: Knowledge) -> dict[str, str]:
    """Return the observations that say something; ``not_looked`` is allowed and left out.

    Raises
    ------
    UsageError
        If an observation or an answer is unknown.
    """
    names = [observation.name for observation in knowledge.observations]
    kept = {}
    for name, answer in (observations or {}).items():
        if name not in names:
            raise unknown_name("the observation", name, names)
        answers = [option.name for option in knowledge.observation(name).answers]
        if answer not in [*answers, NOT_LOOKED]:
            raise unknown_name(f"the answer to {name}", answer, [*answers, NOT_LOOKED])
        if answer != NOT_LOOKED:
            kept[name] = answer
    return kept


def observations_from_text(texts: Iterable[str], knowledge: Knowledge) -> dict[str, str]:
    """Read observations such as ``fluid_level=low``, one or more a text between commas.

    Raises
    ------
    UsageError
        If a text is no pair, or names what is not known, or answers a question twice.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> observations_from_text(["fluid_level=low, fluid_bubbles=foam"], load_knowledge())
    {'fluid_level': 'low', 'fluid_bubbles': 'foam'}
    """
    found: dict[str, str] = {}
    for pair in (part.strip() for text in texts for part in text.split(",") if part.strip()):
        name, mark, answer = (part.strip() for part in pair.partition("="))
        if not mark or found.get(name, answer) != answer:
            raise UsageError(
                "the observation cannot be read" if not mark else f"the observation {name} has two answers",
                got=pair,
                allowed="name=answer, each name once",
                todo='write for example "fluid_level=low"',
            )
        found[name] = answer
    validated_observations(found, knowledge)
    return found


def observations_heard(symptoms: Iterable[SymptomFinding], phases: Phases) -> dict[str, str]:
    """Give what the clip itself answers when the steering phases are known.

    The most probable noise (at least 0.5, the hiss at the stop left aside) is compared between the phases: as
    much of it with the wheel at rest as under load answers ``noise_with_wheel_at_rest``; all of it at a stop
    answers ``noise_off_the_stop``. Where phases are unsure or too short, nothing is answered.

    Examples
    --------
    >>> from audiodiag.records import PhaseSpan
    >>> growl = SymptomFinding("bearing_growl", 0.9, None, ((0.0, 8.0),), ())
    >>> phases = Phases("marked", (PhaseSpan("centre", 0, 4), PhaseSpan("turning", 4, 8)), 0.95)
    >>> observations_heard([growl], phases)
    {'noise_with_wheel_at_rest': 'same'}
    """
    heard = [found for found in symptoms if found.probability >= 0.5 and found.name != "relief_hiss"]
    if not heard or phases.confidence < HEARD_CONFIDENCE:
        return {}
    loudest = max(heard, key=lambda found: found.probability)
    answers = {}
    rest = _share(loudest, phases, ("centre",))
    load = _share(loudest, phases, ("turning", "stop"))
    if rest is not None and load is not None and load >= 0.3:
        if rest >= 0.8 * load:
            answers["noise_with_wheel_at_rest"] = "same"
        elif rest <= 0.2 * load:
            answers["noise_with_wheel_at_rest"] = "quieter"
    stop = _share(loudest, phases, ("stop",))
    away = _share(loudest, phases, ("centre", "turning"))
    if stop is not None and away is not None and stop >= 0.5:
        answers["noise_off_the_stop"] = "ends" if away <= 0.05 else "goes_on"
    return answers


def _share(found: SymptomFinding, phases: Phases, names: tuple[PhaseName, ...]) -> float | None:
    """Give the share of these phases in which the symptom sounds; None where they are too short."""
    spans = [(span.start_s, span.end_s) for span in phases.spans if span.phase in names]
    total_s = sum(end - start for start, end in spans)
    if total_s < LEAST_PHASE_S:
        return None
    common_s = sum(
        max(0.0, min(end, last) - max(start, first)) for start, end in spans for first, last in found.spans_s
    )
    return common_s / total_s
