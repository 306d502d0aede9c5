"""The pipeline: the only place that orders the steps from a file to an ``Analysis``.

file -> Clip -> quality -> SpeedTrace -> order domain -> phases -> measurements -> symptoms -> causes -> next
checks -> Analysis. Command line, batch and notebooks call ``analyse`` and nothing behind it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.causes import (
    Circumstances,
    Knowledge,
    cautions_for,
    infer_causes,
    load_knowledge,
    next_checks,
    observations_heard,
)
from audiodiag.classifier.leanings import SPEEDLESS
from audiodiag.classifier.store import Model, Prediction, load_model
from audiodiag.clip import assess_quality, bridged, read_clip
from audiodiag.errors import SteeringError
from audiodiag.orders.drive_train import drive_finding, find_drive_train
from audiodiag.records import (
    SYMPTOMS,
    Analysis,
    CauseFinding,
    CheckAdvice,
    Clip,
    DriveFinding,
    Note,
    Phases,
    Quality,
    SpeedTrace,
    SymptomFinding,
    Verdict,
)
from audiodiag.speed.acoustic import speed_by_ear
from audiodiag.speed.chosen import speed_of_clip
from audiodiag.speed.readings import other_readings
from audiodiag.steering import phases_from_marks, phases_from_table, unknown_phases
from audiodiag.steering.inferred import infer_phases
from audiodiag.symptoms import Measurements, Scene, build_scene, later, measure_scene, while_running
from audiodiag.symptoms.stated_pump import is_off_stated
from audiodiag.units import percent
from audiodiag.vehicle import Vehicle

__all__ = ["HEARD", "analyse", "engine_followed"]

HEARD = 0.5
"""From this probability on a symptom counts as heard."""
HINTED = 0.25
"""From this probability on a symptom is named in the verdict although it does not count as heard."""
SPANS_FROM = 0.3
"""From this probability on the times at which a symptom would sound are reported."""
BELT_NEEDS_HZ = 4500.0
"""A recording that ends below this carries little of squeal, chirp and hiss (an assumption)."""
SPEED_TRUSTED = 0.5
"""Below this confidence a clip without a symptom is not called normal; nor where it times the probability
of an engine bay lies below it: both must be right (DEVELOPERS.md: 389 simulated bays, 301 other sounds)."""

ENGINE_FOLLOWED, ENGINE_FOLLOWED_OPEN = 0.1, 0.07
"""Below this confidence of a speed found by ear no engine is followed: with the cylinders stated, and without
(set on 113 simulated engine bays and 56 simulated other sounds, the table stands in DEVELOPERS.md)."""
ENGINE_SURE = 0.9
"""Where no engine is followed, a sound of the belt is called from this probability of an engine bay on (41
simulated bays and 277 other sounds of one training, cross-validated: DEVELOPERS.md)."""
BAY_LIKELY = 0.5
"""Below this probability of an engine bay no symptom is called, whatever speed is followed or stated (389
simulated bays and 301 other sounds, and recordings of open data: DEVELOPERS.md)."""
SAID_BY_PEOPLE = ("entered", "table")
"""Sources of a speed that do not show that an engine runs in the recording, as pulses do."""
SOUNDS_OF_THE_PUMP = ("pump_whine", "cavitation_groan", "bearing_growl")
SOUNDS_OF_THE_DRIVE = ("pump_whine", "cavitation_groan", "belt_squeal", "belt_chirp")

TITLES = {
    "pump_whine": "a whine of the steering pump",
    "cavitation_groan": "a groan as of vapour or air in the fluid",
    "belt_squeal": "a squeal of a slipping belt",
    "belt_chirp": "a chirp of the belt",
    "relief_hiss": "the hiss of the relief valve at a stop",
    "bearing_growl": "a growl as of a bearing",
}

Progress = Callable[[str, float], None]


def analyse(
    source: str | Path | Clip,
    *,
    vehicle: Vehicle | None = None,
    speed_rpm: float | None = None,
    speed_table: str | Path | None = None,
    tach_channel: int | None = None,
    tach_file: str | Path | None = None,
    pulses_per_rev: float | None = None,
    missing_teeth: int | None = None,
    steering_marks: str | None = None,
    steering_table: str | Path | None = None,
    channel: int | None = None,
    observations: Mapping[str, str] | None = None,
    circumstances: Circumstances | None = None,
    prices: str | Path | None = None,
    model: Model | None = None,
    progress: Progress | None = None,
) -> Analysis:
    """Say what is heard in one clip, how sure that is, what probably causes it and what to check next.

    Parameters
    ----------
    source:
        A recording of any phone format, or a ``Clip`` that was read before.
    vehicle:
        What is known of the car.
    speed_rpm, speed_table, tach_channel, tach_file, pulses_per_rev, missing_teeth:
        Engine speed where it is known: one number, a table (CSV of seconds and rpm), a pulse channel of the
        clip (counted from 1) or of a file of its own. At most one of them; by ear without.
    steering_marks, steering_table:
        Steering phases where they are known: marks such as ``"centre 0-2, stop 4.3-6"``, or a table.
    channel:
        The channel to listen to, counted from 1; the best one without.
    observations:
        What a person saw or felt: observation name to answer.
    circumstances:
        Age, mileage, parts renewed lately, suction margin: they change how likely each cause is beforehand.
    prices:
        A file of prices of one's own; the shipped bands without.
    model:
        The classifier; the shipped one without.
    progress:
        Told the step and the share done.

    Raises
    ------
    AudiodiagError
        Where the recording or what was stated cannot be used, in words.

    Examples
    --------
    >>> from audiodiag.resources import shipped_folder
    >>> demo = next(shipped_folder("recordings_demo").glob("*squeal*.m4a"))
    >>> found = analyse(demo)
    >>> len(found.symptoms), 0.0 <= found.symptom("belt_squeal").probability <= 1.0
    (6, True)
    """
    tell = progress or (lambda step, share: None)
    tell("reading the recording", 0.0)
    clip = source if isinstance(source, Clip) else read_clip(source, channel=channel)
    tell("judging the recording", 0.15)
    quality = assess_quality(clip)
    clip = bridged(clip, quality)
    tell("finding the engine speed", 0.25)
    by_ear = cache(partial(speed_by_ear, clip, vehicle=vehicle))
    speed = speed_of_clip(
        clip,
        quality,
        vehicle=vehicle,
        speed_rpm=speed_rpm,
        speed_table=speed_table,
        tach_channel=tach_channel,
        tach_file=tach_file,
        pulses_per_rev=pulses_per_rev,
        missing_teeth=missing_teeth,
        by_ear=by_ear,
    )
    phases = _stated_phases(clip, steering_marks, steering_table)
    tell("listening for symptoms", 0.5)
    run, run_speed, run_phases, run_start_s = while_running(clip, speed, phases)
    scene = build_scene(run, quality, run_speed, run_phases, vehicle)
    measurements = later(measure_scene(scene), run_start_s)
    listener = model or load_model()
    readings = other_readings(speed) if quality.usable and listener.weighs_readings else ()
    others = [
        (reading.confidence, _measured_at(reading, clip, quality, phases, vehicle).values)
        for reading in readings
    ]
    prediction = listener.predict(measurements.values, others=others)
    if quality.usable and speed.source in SAID_BY_PEOPLE:
        prediction = _judged_by_ear(prediction, listener, by_ear(), clip, quality, phases, vehicle)
    speed = _with_weighed_readings(speed, [reading.median_rpm for reading in readings])
    symptoms = _findings(measurements, prediction, quality, speed)
    if phases.source == "unknown":
        phases = _inferred_phases(scene, symptoms, run_start_s)
    tell("weighing causes", 0.9)
    verdict = _verdict(quality, speed, symptoms, prediction)
    unlike = _unlike_the_stated_pump(symptoms, measurements, vehicle)
    if unlike is not None:
        speed = replace(speed, notes=(*speed.notes, unlike))
    found = _with_causes(
        clip,
        quality,
        speed,
        phases,
        symptoms,
        verdict,
        measurements,
        vehicle if vehicle is None or unlike is None else replace(vehicle, vanes=None),
        observations or {},
        listener.shares,
        circumstances,
        load_knowledge(prices=prices),
    )
    return replace(found, drive=_drive(found, vehicle))


def _judged_by_ear(
    prediction: Prediction,
    listener: Model,
    heard: SpeedTrace,
    clip: Clip,
    quality: Quality,
    phases: Phases,
    vehicle: Vehicle | None,
) -> Prediction:
    """Let what is heard alone say whether this is an engine bay, where the speed was stated by a person.

    What is an engine bay was learnt with the speed as it is heard: a stated one counts there as a speed that
    was surely found, so that bare noise passed for an engine, and one number for a whole clip blurs the lines
    of an engine whose speed wanders.
    """
    values = _measured_at(heard, clip, quality, phases, vehicle).values
    likely = listener.predict(values, others=()).strangeness.engine_probability
    return replace(prediction, strangeness=replace(prediction.strangeness, engine_probability=likely))


def _measured_at(
    reading: SpeedTrace, clip: Clip, quality: Quality, phases: Phases, vehicle: Vehicle | None
) -> Measurements:
    """Measure the clip as if another reading of its speed were the true one."""
    run, run_speed, run_phases, _ = while_running(clip, reading, phases)
    return measure_scene(build_scene(run, quality, run_speed, run_phases, vehicle))


def _with_weighed_readings(speed: SpeedTrace, rpm: list[float]) -> SpeedTrace:
    """Note on the speed that the symptoms were measured at other readings of it, too (``rpm``: medians)."""
    if not rpm:
        return speed
    if len(rpm) == 1:
        text = (
            f"The symptoms were measured as at about {rpm[0]:.0f} rpm as well; their probabilities take both "
            "speeds into account, each as far as it is likely."
        )
    else:
        text = (
            f"The symptoms were measured as at about {rpm[0]:.0f} and {rpm[1]:.0f} rpm as well; their "
            "probabilities take all three speeds into account, each as far as it is likely."
        )
    return replace(speed, notes=(*speed.notes, Note("readings_weighed", text)))


def _unlike_the_stated_pump(
    symptoms: tuple[SymptomFinding, ...], measurements: Measurements, vehicle: Vehicle | None
) -> Note | None:
    """Note that the tones of a whine that is near cannot be those of the pump as it is stated."""
    whine = next(each for each in symptoms if each.name == "pump_whine")
    order = measurements.values["whine_order"]
    if vehicle is None or vehicle.pump_ratio is None or whine.probability < HINTED or not np.isfinite(order):
        return None
    if not is_off_stated(order, vehicle):
        return None
    ratio, ripple = vehicle.pump_ratio, vehicle.first_ripple_order
    if ripple is None:
        text = (
            f"The tones of the whine begin at order {order:.2f}, where a pump that makes {ratio:.3g} turns "
            "a crank turn, as stated, has none with 7 to 12 vanes: measure both pulleys again, else another "
            "part on the belt may be what sounds. Such tones count 6 dB less."
        )
    else:
        text = (
            f"The tones of the whine begin at order {order:.2f}, those of the pump as stated at order "
            f"{ripple:.2f}: measure both pulleys and count the vanes again, else another part on the belt "
            "may be what sounds. Such tones count 6 dB less."
        )
    return Note("pump_elsewhere", text)


def _drive(analysis: Analysis, vehicle: Vehicle | None) -> DriveFinding | None:
    """Look for the pump's drive, the belt's slip and its passes where a sound of pump or belt is near."""
    near = [s for s in analysis.symptoms if s.name in SOUNDS_OF_THE_DRIVE and s.probability >= HINTED]
    if analysis.verdict.kind not in ("symptoms", "normal") or not near or not analysis.speed.known:
        return None
    squeal = analysis.symptom("belt_squeal")
    train = find_drive_train(
        analysis.clip.samples,
        analysis.clip.sample_rate_hz,
        analysis.speed,
        phases=analysis.phases,
        vehicle=vehicle,
        squeal_spans_s=squeal.spans_s if squeal.probability >= HEARD else (),
    )
    return drive_finding(train)


def _stated_phases(clip: Clip, marks: str | None, table: str | Path | None) -> Phases:
    if marks is not None and table is not None:
        raise SteeringError(
            "the steering phases are stated twice",
            got="marks and a table",
            allowed="one of them",
            todo="leave one out",
        )
    if marks is not None:
        return phases_from_marks(marks, clip.duration_s)
    return unknown_phases() if table is None else phases_from_table(table, clip.duration_s)


def _findings(
    measurements: Measurements, prediction: Prediction, quality: Quality, speed: SpeedTrace
) -> tuple[SymptomFinding, ...]:
    """Join what the classifier says with when and how loud each symptom would sound."""
    found = []
    for name in SYMPTOMS:
        own, said = measurements.symptoms[name], prediction.symptoms[name]
        told = {e.measure for e in said.evidence}
        shown = own.evidence
        if name in SPEEDLESS and speed.confidence < SPEED_TRUSTED:
            # What is read over crank angle says little there.
            shown = tuple(e for e in own.evidence if e.measure in SPEEDLESS[name])
        extra = tuple(e for e in shown if e.measure not in told)[:2]
        found.append(
            SymptomFinding(
                name=name,
                probability=said.probability,
                level_db=own.level_db if quality.levels_usable else None,
                spans_s=own.spans_s if said.probability >= SPANS_FROM else (),
                evidence=said.evidence + extra,
            )
        )
    return tuple(found)


def _inferred_phases(scene: Scene, symptoms: tuple[SymptomFinding, ...], start_s: float) -> Phases:
    hiss = next(s for s in symptoms if s.name == "relief_hiss")
    time_s = scene.time_s + start_s
    on = np.zeros(len(time_s))
    for start, end in hiss.spans_s:
        on[(time_s >= start) & (time_s < end)] = 1.0
    return infer_phases(time_s, hiss=on, hiss_probability=hiss.probability, dip_percent=scene.dip_percent)


def _verdict(
    quality: Quality, speed: SpeedTrace, symptoms: tuple[SymptomFinding, ...], prediction: Prediction
) -> Verdict:
    """Say in one sentence what the clip amounts to, or why it cannot be told."""
    strange = prediction.strangeness
    by_probability = sorted(symptoms, key=lambda s: -s.probability)
    heard = [s for s in by_probability if s.probability >= HEARD]
    faults = [s for s in heard if s.name != "relief_hiss"]
    if not quality.usable:
        worst = sorted(quality.notes, key=lambda note: note.severity != "refusal")
        why = f" {worst[0].text}" if worst else ""
        return Verdict("cannot_tell", f"Nothing can be said from this recording.{why}")
    if not strange.engine:
        return Verdict(
            "not_an_engine_bay",
            f"This does not sound like an engine bay (probability {percent(strange.engine_probability)} "
            "that it is one). Record within an arm's length of the engine, with the engine running.",
        )
    if strange.strange:
        why = f" {prediction.strange_because[0].text}" if prediction.strange_because else ""
        return Verdict(
            "cannot_tell",
            "This clip is unlike all clips that the program learnt from, so its answers cannot be "
            f"trusted.{why}",
        )
    if faults and not engine_followed(speed) and all(s.name in SOUNDS_OF_THE_PUMP for s in faults):
        return Verdict(
            "cannot_tell",
            f"Something sounds like {TITLES[faults[0].name]}, but no engine can be followed in this "
            "recording, and without an engine no pump turns. Record within an arm's length of the engine.",
        )
    if faults and not engine_followed(speed) and strange.engine_probability < ENGINE_SURE:
        return Verdict(
            "cannot_tell",
            f"Something sounds like {TITLES[faults[0].name]}, but no engine can be followed in this "
            "recording, and it is not sure that this is an engine bay (probability "
            f"{percent(strange.engine_probability)}). Record within an arm's length of the engine.",
        )
    if faults and strange.engine_probability < BAY_LIKELY:
        below = math.floor(100.0 * strange.engine_probability + 1e-9) / 100.0  # never said to be the half
        return Verdict(
            "cannot_tell",
            f"Something sounds like {TITLES[faults[0].name]}, but this is rather no engine bay (probability "
            f"{percent(below)} that it is one). Record within an arm's length of the engine, with the engine "
            "running.",
        )
    if faults:
        names = " and ".join(f"{TITLES[s.name]} (probability {percent(s.probability)})" for s in faults[:2])
        rest = f", and {len(faults) - 2} more" if len(faults) > 2 else ""
        return Verdict("symptoms", f"Heard: {names}{rest}.")
    nearest = next(s for s in by_probability if s.name != "relief_hiss")
    hint = ""
    if nearest.probability >= HINTED:
        hint = f" Nearest to one comes {TITLES[nearest.name]} (probability {percent(nearest.probability)})."
    if speed.confidence < SPEED_TRUSTED:
        return Verdict(
            "cannot_tell",
            "No steering noise stands out, but the engine speed could not be found with confidence, so its "
            f"absence cannot be trusted.{hint}",
        )
    if strange.engine_probability * speed.confidence < SPEED_TRUSTED:
        return Verdict(
            "cannot_tell",
            "No steering noise stands out, but that this is an engine bay (probability "
            f"{percent(strange.engine_probability)}) at the right speed ({percent(speed.confidence)}) is not "
            f"sure enough, so its absence cannot be trusted.{hint}",
        )
    if heard:
        return Verdict(
            "normal",
            "Only a hiss as of the relief valve is heard. While the wheel is held at a stop, that is its "
            "duty; if it sounds off the stop as well, have it looked at. Do not hold the wheel at a stop for "
            f"more than five seconds.{hint}",
        )
    top_khz = quality.band_hz[1] / 1000.0
    deaf = ""
    if quality.band_hz[1] < BELT_NEEDS_HZ:
        deaf = (
            f" The recording ends at {top_khz:.1f} kHz: a belt or a relief valve could hardly be heard in it."
        )
    return Verdict(
        "normal",
        "No noise of the steering or its belt stands out of the engine's own; a faint one may hide in it."
        f"{deaf}{hint}",
    )


def engine_followed(speed: SpeedTrace) -> bool:
    """Whether an engine counts as followed: a speed by ear, sure enough, or one that was not found by ear.

    A stated speed counts, since nothing speaks against it; that an engine runs in the clip it does not show.
    """
    if not speed.known:
        return False
    stated = speed.cylinders_source == "entered"
    least = ENGINE_FOLLOWED if stated else ENGINE_FOLLOWED_OPEN
    return speed.source != "acoustic" or speed.confidence >= least


def _with_causes(
    clip: Clip,
    quality: Quality,
    speed: SpeedTrace,
    phases: Phases,
    symptoms: tuple[SymptomFinding, ...],
    verdict: Verdict,
    measurements: Measurements,
    vehicle: Vehicle | None,
    observations: Mapping[str, str],
    prevalence: Mapping[str, float],
    circumstances: Circumstances | None,
    knowledge: Knowledge,
) -> Analysis:
    """Join what is heard and seen with the knowledge of causes; prevalence is that of the training clips."""
    told = verdict.kind in ("symptoms", "normal")
    probabilities = {s.name: s.probability for s in symptoms} if told else {}
    heard = [s.name for s in symptoms if s.probability >= HEARD] if told else []
    by_ear = observations_heard(symptoms, phases) if told else {}
    seen = {**by_ear, **observations}
    causes: tuple[CauseFinding, ...] = ()
    checks: tuple[CheckAdvice, ...] = ()
    if told or observations:
        known: dict[str, Any] = {
            "knowledge": knowledge,
            "vehicle": vehicle,
            "observations": seen,
            "prevalence": prevalence,
            "circumstances": circumstances,
        }
        causes = infer_causes(probabilities, **known, by_ear=by_ear.keys() - observations.keys(), every=False)
        checks = next_checks(probabilities, **known)
    return Analysis(
        clip=clip,
        quality=_with_speed_notes(quality, speed),
        speed=speed,
        phases=phases,
        symptoms=symptoms,
        verdict=verdict,
        causes=causes,
        next_checks=checks,
        cautions=cautions_for(heard, checks, knowledge=knowledge, observations=seen),
        measurements=dict(measurements.values),
    )


def _with_speed_notes(quality: Quality, speed: SpeedTrace) -> Quality:
    """Add to the notes on the recording that no engine can be followed in it, where that is so."""
    if not quality.usable or speed.source != "acoustic" or speed.confidence >= 0.3:
        return quality
    note = Note(
        "engine_unclear",
        "The engine can hardly be followed in this recording: hold the phone within an arm's length of the "
        "engine, away from wind and talk, and keep the engine running throughout.",
    )
    return replace(quality, notes=(*quality.notes, note))
