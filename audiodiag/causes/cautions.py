"""Which cautions a report carries: what can hurt someone in what was heard, seen or advised."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from audiodiag.causes.knowledge import Knowledge
from audiodiag.causes.observations import validated_observations
from audiodiag.records import CheckAdvice

__all__ = ["cautions_for"]


def cautions_for(
    symptoms: Iterable[str],
    checks: Iterable[CheckAdvice | str],
    *,
    knowledge: Knowledge,
    observations: Mapping[str, str] | None = None,
) -> tuple[str, ...]:
    """Give the cautions that fit, as sentences, in the order of the data file.

    Parameters
    ----------
    symptoms:
        Names of the symptoms that are heard.
    checks:
        The advised checks, or their names.
    observations:
        Observation name to answer.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> any("do not drive" in text for text in cautions_for(["belt_squeal"], [], knowledge=load_knowledge()))
    True
    """
    heard = set(symptoms)
    seen = set(validated_observations(observations, knowledge).items())
    advised = [check if isinstance(check, str) else check.name for check in checks]
    named = {code for name in advised for code in knowledge.check(name).cautions}
    return tuple(
        caution.text
        for caution in knowledge.cautions
        if caution.always
        or caution.code in named
        or heard & set(caution.symptoms)
        or seen & set(caution.observations)
    )
