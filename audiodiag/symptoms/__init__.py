"""From a clip, its speed and what is known of the car to measurements that speak for or against six symptoms.

One file a symptom; ``measure_all`` runs them on one shared scene. Every measurement is a ratio, an order, a
time or a height above what surrounds it, so that a change of gain changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace

from audiodiag.records import Clip, Phases, Quality, Span, SpeedTrace
from audiodiag.symptoms import (
    bearing_growl,
    belt_chirp,
    belt_squeal,
    cavitation_groan,
    general,
    pump_whine,
    relief_hiss,
)
from audiodiag.symptoms import together as joint
from audiodiag.symptoms.measures import Measure, Measurements, SymptomMeasurement
from audiodiag.symptoms.running_part import heard_while_running, later, while_running
from audiodiag.symptoms.scene import Scene, build_scene
from audiodiag.vehicle import Vehicle

__all__ = [
    "MEASUREMENTS",
    "MEASUREMENT_NAMES",
    "Measure",
    "Measurements",
    "Scene",
    "SymptomMeasurement",
    "build_scene",
    "heard_while_running",
    "later",
    "measure_all",
    "measure_scene",
    "while_running",
]

_ROOM = {
    "pump_whine": pump_whine,
    "cavitation_groan": cavitation_groan,
    "belt_squeal": belt_squeal,
    "belt_chirp": belt_chirp,
    "relief_hiss": relief_hiss,
    "bearing_growl": bearing_growl,
}

MEASUREMENTS: tuple[Measure, ...] = (
    *general.MEASURES,
    *(m for part in _ROOM.values() for m in part.MEASURES),
    *joint.MEASURES,
)
"""Every measurement with its unit and sentence, in the order of the values."""

MEASUREMENT_NAMES: tuple[str, ...] = tuple(m.name for m in MEASUREMENTS)
"""The names of all measurements, in the order of the values."""


def measure_all(
    clip: Clip,
    quality: Quality,
    speed: SpeedTrace,
    phases: Phases | None = None,
    vehicle: Vehicle | None = None,
) -> Measurements:
    """Measure one clip.

    Parameters
    ----------
    clip, quality, speed:
        The sound, the band it can speak for, and the engine speed (unknown is allowed: what needs it is NaN).
    phases, vehicle:
        What is known of the steering and of the car.

    Returns
    -------
    Measurements
        ``values`` holds every name of ``MEASUREMENT_NAMES``; ``symptoms`` the six symptoms' own parts.

    >>> import numpy as np
    >>> none = np.zeros(0)
    >>> silent = Clip(np.zeros(8000, np.float32), 8000, "silent", "", "pcm")
    >>> unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    >>> found = measure_all(silent, Quality(False, (), (20.0, 4000.0)), unknown)
    >>> tuple(found.values) == MEASUREMENT_NAMES, len(found.symptoms)
    (True, 6)
    """
    part, heard, known, start_s = while_running(clip, speed, phases or Phases("unknown"))
    return later(measure_scene(build_scene(part, quality, heard, known, vehicle)), start_s)


def measure_scene(scene: Scene) -> Measurements:
    """Measure a scene that has been built already (see :func:`measure_all`)."""
    values = dict(general.measure(scene).values)
    symptoms: dict[str, SymptomMeasurement] = {}
    for name, part in _ROOM.items():
        if part is bearing_growl:
            symptoms[name] = bearing_growl.measure(scene, _pump_heard(values))
        else:
            symptoms[name] = part.measure(scene)
        values |= symptoms[name].values
        symptoms[name] = replace(symptoms[name], spans_s=_within(symptoms[name].spans_s, scene.duration_s))
    values |= joint.together(values)
    return Measurements({name: values[name] for name in MEASUREMENT_NAMES}, symptoms)


def _within(spans_s: tuple[Span, ...], duration_s: float) -> tuple[Span, ...]:
    """Cut spans, rounded to tenths, where the clip ends.

    >>> _within(((1.0, 2.0), (9.8, 11.0)), 10.97)
    ((1.0, 2.0), (9.8, 10.9))
    """
    last = math.floor(duration_s * 10.0 + 1e-6) / 10.0
    return tuple((start, min(end, last)) for start, end in spans_s if start < last)


def _pump_heard(values: dict[str, float]) -> bearing_growl.PumpHeard:
    """What the whine betrays of the pump: its tone's order and how far that stands out."""
    return bearing_growl.PumpHeard(tone_order=values["whine_order"], tone_db=values["whine_merit_db"])
