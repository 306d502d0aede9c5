"""Other readings of a clip's speed that are likely enough to listen to the symptoms at them as well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from audiodiag.records import SpeedTrace, read_only

__all__ = ["other_readings"]

LIKELY = 0.1
MOST = 2
SAME = 0.02
"""Readings within this share of one another are one speed; those of the speed itself change no order."""


def other_readings(speed: SpeedTrace) -> tuple[SpeedTrace, ...]:
    """Give the likeliest other speeds of a clip heard by ear as traces, the likeliest first; at most two.

    Readings of one speed with unlike numbers of cylinders are taken together. ``confidence`` of each is its
    probability, at least a tenth. None where the speed was stated or measured.

    >>> from audiodiag.records import SpeedAlternative
    >>> one = np.array([800.0])
    >>> heard = SpeedTrace(
    ...     "acoustic", 0.5, np.zeros(1), one, one, one, one, alternatives=(
    ...         SpeedAlternative(1.5, 4, 0.2), SpeedAlternative(1.0, 6, 0.15), SpeedAlternative(1.5, 8, 0.1),
    ...         SpeedAlternative(2.0, 4, 0.05)))
    >>> (other,) = other_readings(heard)
    >>> float(other.rpm[0]), round(other.confidence, 2), other.cylinders
    (1200.0, 0.3, 4)
    """
    if speed.source != "acoustic" or not speed.known:
        return ()
    together: list[tuple[float, float, int | None]] = []
    for other in sorted(speed.alternatives, key=lambda each: -each.probability):
        if abs(other.factor - 1.0) < SAME:
            continue
        for place, (factor, probability, cylinders) in enumerate(together):
            if abs(other.factor / factor - 1.0) < SAME:
                together[place] = (factor, probability + other.probability, cylinders)
                break
        else:
            together.append((other.factor, other.probability, other.cylinders))
    likely = sorted((each for each in together if each[1] >= LIKELY), key=lambda each: -each[1])
    return tuple(_at(speed, *each) for each in likely[:MOST])


def _at(speed: SpeedTrace, factor: float, probability: float, cylinders: int | None) -> SpeedTrace:
    """The same course at another multiple, with its probability as confidence."""
    told = speed.cylinders_source == "entered"
    return replace(
        speed,
        confidence=min(probability, 1.0),
        rpm=read_only(np.asarray(speed.rpm) * factor),
        rpm_low=read_only(np.asarray(speed.rpm_low) * factor),
        rpm_high=read_only(np.asarray(speed.rpm_high) * factor),
        cylinders=speed.cylinders if told else cylinders,
        alternatives=(),
        other_course=0.0,
    )
