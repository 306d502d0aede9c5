"""Which measurements moved an answer most, as numbers with units and as sentences.

The sentences stand in the tables of the symptoms; a measure without one gets a plain statement of its value
beside what is usual in the clips learnt from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from audiodiag.records import Evidence

__all__ = ["Moved", "Phrase", "Usual", "evidence_of", "known_phrases"]


_UNIT_ENDINGS = ("_db_per_octave", "_db", "_percent", "_hz", "_s")


@dataclass(frozen=True)
class Phrase:
    """How a measure is spoken of: its unit, a sentence with ``{value}`` or an empty one, and its label.

    share: the value is a share from 0 to 1, which is said in per cent.
    """

    unit: str
    text: str
    label: str = ""
    share: bool = False


@dataclass(frozen=True)
class Usual:
    """Where a measure lies in the engine bays learnt: the 5th, 50th and 95th percentile."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class Moved:
    """One measure of one clip and how far it moved the log-odds of a symptom."""

    measure: str
    value: float
    charge: float


def known_phrases() -> Mapping[str, Phrase]:
    """Collect unit, sentence and label of every measure from the tables of the symptoms."""
    from audiodiag import symptoms

    return {each.name: Phrase(each.unit, each.text, each.label, each.share) for each in symptoms.MEASUREMENTS}


def evidence_of(moved: Moved, phrases: Mapping[str, Phrase], usual: Mapping[str, Usual]) -> Evidence:
    """Say what was measured and which way it spoke.

    >>> phrases = {"whine_tone_db": Phrase("dB", "A tone stands {value:.1f} dB above its surroundings.")}
    >>> evidence_of(Moved("whine_tone_db", 14.2, 1.8), phrases, {}).text
    'A tone stands 14.2 dB above its surroundings. This speaks for it.'
    >>> evidence_of(Moved("slope", 0.25, -0.4), {}, {"slope": Usual(0.3, 0.5, 0.8)}).text
    'Slope: 0.25, below the usual (0.3 to 0.8). This speaks against it.'
    >>> tones = {"tonal_share": Phrase("1", "", "Share of tones", share=True)}
    >>> evidence_of(Moved("tonal_share", 0.43, 0.0), tones, {"tonal_share": Usual(0.01, 0.05, 0.2)}).text
    'Share of tones: 43 %, above the usual (1 to 20).'
    >>> loud = {"loud_share": Phrase("1", "The noise is loud for {value:.0%} of the clip.", share=True)}
    >>> evidence_of(Moved("loud_share", 0.34, 0.0), loud, {}).text
    'The noise is loud for 34 % of the clip.'
    """
    from audiodiag.symptoms import measures

    phrase = phrases.get(moved.measure, Phrase("", ""))
    title = phrase.label or _title(moved.measure)
    if not math.isfinite(moved.value):
        text = f"{title}: could not be measured in this clip."
    elif phrase.text:
        text = measures.worded(phrase.text, moved.value)
    else:
        told = "%" if phrase.share else phrase.unit
        unit = f" {told}" if told not in ("", "1") else ""
        scale = 100.0 if phrase.share else 1.0
        beside = _beside_usual(moved.value, usual.get(moved.measure), scale)
        text = f"{title}: {scale * moved.value:.3g}{unit}{beside}."
    if moved.charge:
        text += f" This speaks {'for' if moved.charge > 0 else 'against'} it."
    return Evidence(moved.measure, moved.value, phrase.unit, text)


def _title(measure: str) -> str:
    """Give the name of a measure that has no label as words, without the unit at its end.

    >>> _title("groan_rise_flatness_db"), _title("noise_slope_db_per_octave")
    ('Groan rise flatness', 'Noise slope')
    """
    for ending in _UNIT_ENDINGS:
        measure = measure.removesuffix(ending)
    return measure.replace("_", " ").capitalize()


def _beside_usual(value: float, usual: Usual | None, scale: float) -> str:
    """Say where a value lies against what is usual."""
    if usual is None or not (math.isfinite(usual.low) and math.isfinite(usual.high)):
        return ""
    place = "below the" if value < usual.low else "above the" if value > usual.high else "within the"
    return f", {place} usual ({scale * usual.low:.3g} to {scale * usual.high:.3g})"
