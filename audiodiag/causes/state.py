"""What is known at one moment, as one value: what was heard, what was seen, the car, its life.

Everything that ranks, asks or plans takes a `State`, so that one more answer is one new state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from audiodiag.causes.circumstances import Circumstances, prior_factors
from audiodiag.causes.information import able_causes, asked_about
from audiodiag.causes.knowledge import NOT_LOOKED, Knowledge
from audiodiag.causes.network import Posterior, posterior, pump_known
from audiodiag.causes.observations import validated_observations, validated_probabilities
from audiodiag.vehicle import Vehicle

__all__ = ["State"]


@dataclass(frozen=True, eq=False)
class State:
    """All that is known; build it with `State.of`, which validates.

    ``heard``: symptom to probability. ``seen``: observation to answer, ``not_looked`` kept, so that it is not
    asked again; it says nothing. ``by_ear``: the observations that the clip itself answered; only the words
    of the reasons depend on it.
    """

    knowledge: Knowledge
    heard: Mapping[str, float]
    seen: Mapping[str, str] = field(default_factory=dict)
    vehicle: Vehicle | None = None
    prevalence: Mapping[str, float] | None = None
    circumstances: Circumstances | None = None
    by_ear: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls,
        probabilities: Mapping[str, float],
        *,
        knowledge: Knowledge,
        observations: Mapping[str, str] | None = None,
        vehicle: Vehicle | None = None,
        prevalence: Mapping[str, float] | None = None,
        circumstances: Circumstances | None = None,
        by_ear: Iterable[str] = (),
    ) -> State:
        """Validate what is known; raises ``UsageError`` as `infer_causes` does.

        >>> from audiodiag.causes import load_knowledge
        >>> State.of({"belt_squeal": 0.9}, knowledge=load_knowledge()).open_questions[0]
        'fluid_level'
        """
        heard = validated_probabilities(probabilities, knowledge)
        validated_observations(observations, knowledge)
        prior_factors(circumstances, knowledge)
        seen = dict(observations or {})
        return cls(knowledge, heard, seen, vehicle, prevalence, circumstances, frozenset(by_ear))

    def answered(self, observation: str, answer: str) -> State:
        """Give the state after one more answer."""
        validated_observations({observation: answer}, self.knowledge)
        return replace(self, seen={**self.seen, observation: answer}, by_ear=self.by_ear - {observation})

    @property
    def told(self) -> dict[str, str]:
        """The answers that say something."""
        return {name: answer for name, answer in self.seen.items() if answer != NOT_LOOKED}

    @property
    def open_questions(self) -> tuple[str, ...]:
        """Observations that have no answer that says something."""
        told = self.told
        return tuple(seen.name for seen in self.knowledge.observations if seen.name not in told)

    @property
    def known_pump(self) -> bool:
        """Whether a tone could be tied to the pump."""
        return pump_known(self.vehicle)

    @cached_property
    def factors(self) -> dict[str, float]:
        """What the circumstances do to the prior odds."""
        return prior_factors(self.circumstances, self.knowledge)

    @cached_property
    def weighed(self) -> Posterior:
        """The sets of causes, weighed by all that is known."""
        return posterior(
            self.heard,
            self.told,
            knowledge=self.knowledge,
            vehicle=self.vehicle,
            prevalence=self.prevalence,
            factors=self.factors,
        )

    @cached_property
    def asked(self) -> list[int]:
        """Columns of the causes that could explain what was heard or seen."""
        return asked_about(self.knowledge, self.heard, self.told, self.prevalence)

    @property
    def anything(self) -> bool:
        """Whether anything was heard or seen that a cause could explain."""
        return bool(able_causes(self.knowledge, self.heard, self.told, self.prevalence))

    @property
    def leading(self) -> tuple[str, float]:
        """Name and probability of the leading cause."""
        shares = self.weighed.cause_probability
        best = int(shares.argmax())
        nothing = self.weighed.nothing_probability
        if nothing > shares[best]:
            return self.knowledge.nothing.name, nothing
        return self.knowledge.at_work[best].name, min(1.0, float(shares[best]))

    @property
    def certainty(self) -> tuple[str, float]:
        """The fault to repair first, or the empty case where there is none, with its probability."""
        faults = [index for index, cause in enumerate(self.knowledge.at_work) if cause.kind == "fault"]
        shares = self.weighed.cause_probability[faults]
        none = float(self.weighed.weight[~self.weighed.members[:, faults].any(axis=1)].sum())
        best = int(shares.argmax())
        if none >= shares[best]:
            return self.knowledge.nothing.name, min(1.0, none)
        return self.knowledge.at_work[faults[best]].name, min(1.0, float(shares[best]))
