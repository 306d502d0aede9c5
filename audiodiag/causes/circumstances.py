"""What is known beside sounds and answers: age, mileage, parts renewed lately, and the suction margin.

They change the prior odds of the causes, by the file ``priors.toml``; the suction margin gives the odds of
cold, thick fluid in a sound line.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from audiodiag.causes.knowledge import Knowledge
from audiodiag.causes.suction import SuctionMargin
from audiodiag.errors import UsageError

__all__ = ["Circumstances", "circumstance_words", "prior_factors"]

LEAST_ODDS, MOST_ODDS = 1e-4, 5.0
AGE_YEARS, MILEAGE_KM = (0.0, 100.0), (0.0, 3e6)


@dataclass(frozen=True)
class Circumstances:
    """What is known of the car's life; None and empty where it is not.

    ``renewed``: parts that were renewed in the last weeks or months, of `Knowledge.renewable`.
    """

    age_years: float | None = None
    mileage_km: float | None = None
    renewed: tuple[str, ...] = ()
    suction: SuctionMargin | None = None


def prior_factors(circumstances: Circumstances | None, knowledge: Knowledge) -> dict[str, float]:
    """Give what multiplies the prior odds of each cause; causes that are left out keep theirs.

    Raises
    ------
    UsageError
        If an age or a mileage is out of range or a part is not known.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> factors = prior_factors(Circumstances(renewed=("pump",)), load_knowledge())
    >>> factors["worn_pump"] < 1 < factors["air_in_the_rack"]
    True
    """
    if circumstances is None:
        return {}
    _validated(circumstances, knowledge)
    factors: dict[str, float] = {}
    for prior in knowledge.priors:
        odds = knowledge.cause(prior.cause).odds
        life = []
        if circumstances.age_years is not None and prior.age_years:
            life.append(_between(prior.age_years, circumstances.age_years))
        if circumstances.mileage_km is not None and prior.mileage_km:
            life.append(_between(prior.mileage_km, circumstances.mileage_km))
        factor = math.prod(life) ** (1.0 / len(life)) if life else 1.0
        factor *= math.prod(value for part, value in prior.renewed if part in circumstances.renewed)
        if prior.suction and circumstances.suction is not None:
            share = circumstances.suction.cold_probability
            factor *= share / max(1.0 - share, 1e-9) / odds
        bounded = min(max(factor * odds, LEAST_ODDS), MOST_ODDS) / odds
        if bounded != 1.0:
            factors[prior.cause] = bounded
    return factors


def circumstance_words(
    cause: str, circumstances: Circumstances | None, factors: Mapping[str, float], knowledge: Knowledge
) -> str:
    """Say what the circumstances do to a cause; empty where they do little."""
    factor = factors.get(cause, 1.0)
    if circumstances is None or 0.7 < factor < 1.4:
        return ""
    by_suction = circumstances.suction is not None and any(
        prior.suction for prior in knowledge.priors if prior.cause == cause
    )
    what = (
        "The margin at the pump's inlet"
        if by_suction
        else "What is known of the car's age, mileage and repairs"
    )
    return f"{what} makes it {'more' if factor > 1 else 'less'} likely (prior odds times {factor:.3g})."


def _between(points: tuple[tuple[float, float], ...], value: float) -> float:
    return float(np.interp(value, [at for at, _ in points], [factor for _, factor in points]))


def _validated(circumstances: Circumstances, knowledge: Knowledge) -> None:
    for what, value, (low, high), unit in (
        ("age", circumstances.age_years, AGE_YEARS, "years"),
        ("mileage", circumstances.mileage_km, MILEAGE_KM, "km"),
    ):
        if value is not None and not low <= value <= high:
            raise UsageError(
                f"the car's {what} cannot be used",
                got=f"{value:g} {unit}",
                allowed=f"{low:g} to {high:g} {unit}",
                todo="correct it, or leave it out if it is not known",
            )
    for part in circumstances.renewed:
        if part not in knowledge.renewable:
            near = difflib.get_close_matches(part, knowledge.renewable, n=1, cutoff=0.4)
            raise UsageError(
                "the part that was renewed is not known",
                got=part or "nothing",
                allowed=", ".join(knowledge.renewable),
                todo=f"did you mean {near[0]}?" if near else "use one of these",
            )
