"""What a measurement is: a name, a unit, and the sentence that says it to a person.

Every symptom's file lists its measurements as a table of :class:`Measure` and returns a
:class:`SymptomMeasurement`; a value that the clip cannot give is NaN.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from audiodiag.records import Evidence, Span

__all__ = ["Measure", "Measurements", "SymptomMeasurement", "evidence_of", "filled", "worded"]


@dataclass(frozen=True)
class Measure:
    """One kind of measurement.

    ``text``: a sentence with ``{value}``; empty where the number is for the classifier only. ``label``: what
    is measured, in a few words, where it stands before a number.
    """

    name: str
    unit: str
    text: str = ""
    label: str = ""

    @property
    def share(self) -> bool:
        """Whether the value is a share of a whole, kept from 0 to 1 and said in per cent."""
        return "%}" in self.text


@dataclass(frozen=True)
class SymptomMeasurement:
    """What one symptom's file measured in one clip.

    values: named measurements, NaN where missing. spans_s: when the symptom sounds, if it is there.
    level_db: its level relative to the engine bay in the same clip, None where it cannot be measured.
    """

    values: dict[str, float]
    spans_s: tuple[Span, ...] = ()
    level_db: float | None = None
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Measurements:
    """All measurements of one clip.

    values: every name of ``MEASUREMENT_NAMES`` in that order, NaN where missing. symptoms: the six symptoms'
    own measurements by name.
    """

    values: dict[str, float]
    symptoms: dict[str, SymptomMeasurement]


def filled(measures: tuple[Measure, ...], values: dict[str, float]) -> dict[str, float]:
    """Order values by the table; NaN where one is missing or not finite.

    >>> filled((Measure("a", "dB"), Measure("b", "dB")), {"b": 2.0})
    {'a': nan, 'b': 2.0}
    """
    given = {m.name: float(values.get(m.name, math.nan)) for m in measures}
    return {name: value if math.isfinite(value) else math.nan for name, value in given.items()}


def evidence_of(measures: tuple[Measure, ...], values: dict[str, float]) -> tuple[Evidence, ...]:
    """Turn the finite values that have a sentence into evidence.

    >>> evidence_of((Measure("a", "dB", "It stands {value:.1f} dB out."),), {"a": 3.0})[0].text
    'It stands 3.0 dB out.'
    """
    return tuple(
        Evidence(m.name, values[m.name], m.unit, worded(m.text, values[m.name]))
        for m in measures
        if m.text and math.isfinite(values.get(m.name, math.nan))
    )


def worded(text: str, value: float) -> str:
    """Put a value into a sentence, per cent with a space before the sign, and a nought without a sign.

    >>> worded("The noise is loud for {value:.0%} of the clip.", 0.34)
    'The noise is loud for 34 % of the clip.'
    >>> worded("The noise rises by {value:.1f} dB.", -0.04)
    'The noise rises by 0.0 dB.'
    """
    said = re.sub(r"(?<=\d)%", " %", text.format(value=value))
    return re.sub(r"(?<![\w.])-(0(?:\.0+)?)(?!\d|\.\d)", r"\1", said)
