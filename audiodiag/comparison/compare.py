"""Before and after: what has changed between two sides of recordings of one car?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audiodiag.causes import cautions_for, load_knowledge
from audiodiag.comparison.agreed_speed import agreed_speeds, without_misread
from audiodiag.comparison.beats import LONG_REV, Beats, beats_of, growl_lines
from audiodiag.comparison.change import (
    PRIORS,
    UNCHANGED_WITHIN_DB,
    Measured,
    SymptomChange,
    change_of,
    mirrored,
)
from audiodiag.comparison.conditions import (
    Conditions,
    carrying,
    conditions_of,
    more_recordings_note,
    one_phone_note,
    perhaps_note,
    place_note,
    stated_steering_note,
)
from audiodiag.comparison.likeness import odds_alike, unevenness_db
from audiodiag.comparison.listening import PART_S, Alternation, alternate
from audiodiag.comparison.order_changes import ChangeMaps, OrderChange, change_maps, order_changes
from audiodiag.comparison.references import (
    STRONG,
    between_bursts,
    both,
    engine_bands,
    engine_swing,
    maybe_touched,
    untouched,
)
from audiodiag.comparison.rise import rises_of
from audiodiag.comparison.sounds import common_thirds, strengths_of
from audiodiag.comparison.strengths import Mask, Masks, gain_db, masks_of
from audiodiag.comparison.whine_order import common_order
from audiodiag.errors import UsageError
from audiodiag.orders.drive import find_drive, pump_angle
from audiodiag.records import SYMPTOMS, Analysis, FloatArray, Note
from audiodiag.symptoms import Scene, build_scene, heard_while_running
from audiodiag.symptoms.spectra import half_order_distance
from audiodiag.vehicle import Vehicle

__all__ = ["HEARD_IN_EITHER", "UNHEARD", "Comparison", "compare_sides", "flipped"]

HEARD_IN_EITHER, PERHAPS_IN_EITHER = 0.5, 0.25
"""Probability in one recording at least from which a symptom is compared without being asked for, and from
which it is said how to ask for it."""
PLAIN, UNLIKELY = 0.5, 0.05
"""Probabilities from which a side has a sound and down to which it has not."""
UNHEARD = "it is not heard on either side"
"""Why nothing is told of a sound that no recording has."""
ANOTHER_SOUND = (
    "one side plainly has it and the other has not, yet its bands are as loud on both: "
    "another sound may fill them"
)
STEERED = ("pump_whine", "cavitation_groan")
"""What is measured over all that the steering loads, where that was stated."""
RESTLESS = ("belt_chirp", "bearing_growl")
SWING_HZ = 700.0
FEWEST_BANDS = 4
NEAR_HALF_ORDER, NEAR_HALF_DB = 0.12, 2.0
"""How near to a half order a whine stands among the engine's own tones, and by how much it may then be wrong
(chosen on simulated pairs)."""
FAINTEST_TONE = 1e-4
"""Power of a tone, re that of the recording, below which none is louder than another."""
BURSTS = 10.0
"""How far the bursts of a chirp stand above its mean, as powers."""


SURE_SPEED, ONE_SPEED = 0.5, 1.1
"""Confidence from which a recording's speed is sure, and how far the speeds of all may lie apart to have a
mean that says anything of each."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """All that was found between two sides.

    symptoms: all six, in the order of ``records.SYMPTOMS``; those that nobody hears or asks for say "cannot
    tell". orders: what stands still over the crank, the most changed first. maps: both sides' order maps on
    one scale and their difference, None where the speed is unknown on a side. listening: the loudest parts of
    the first recordings of both sides in turn, None where a recording cannot be used. one_phone: whether the
    user stated that all was recorded by one phone at one place. pump_order: order of the pump's first tone
    where its turns and vanes are stated, else None. odd_vanes: whether that is twice turns times vanes, since
    their number is odd.
    """

    names: tuple[str, str]
    before: tuple[Analysis, ...]
    after: tuple[Analysis, ...]
    conditions: Conditions
    symptoms: tuple[SymptomChange, ...]
    orders: tuple[OrderChange, ...]
    maps: ChangeMaps | None
    listening: Alternation | None
    cautions: tuple[str, ...]
    one_phone: bool = False
    pump_order: float | None = None
    odd_vanes: bool = False

    @property
    def mean_rpm(self) -> float | None:
        """Mean of the recordings' median speeds, rpm; None where one is not sure or they lie apart."""
        speeds = [found.speed for found in (*self.before, *self.after)]
        if not all(speed.known and speed.confidence >= SURE_SPEED for speed in speeds):
            return None
        medians = [speed.median_rpm for speed in speeds]
        return sum(medians) / len(medians) if max(medians) <= ONE_SPEED * min(medians) else None

    @property
    def pump_hz(self) -> float | None:
        """Frequency of the stated pump's first tone at the mean speed, Hz; None where either is unknown."""
        rpm = self.mean_rpm
        return None if rpm is None or self.pump_order is None else self.pump_order * rpm / 60.0

    @property
    def told_first(self) -> tuple[SymptomChange, ...]:
        """The changes as a person should read them: what can be told, what cannot, what no side holds."""
        return tuple(sorted(self.symptoms, key=lambda c: (c.word == "cannot_tell", c.reason == UNHEARD)))

    def symptom(self, name: str) -> SymptomChange:
        """Give the change of one symptom by its name."""
        return next(found for found in self.symptoms if found.name == name)


@dataclass(frozen=True, eq=False)
class _Heard:
    """One recording prepared under the common conditions; ``long_beats``: over blocks that part a bearing's
    beat from the engine's."""

    analysis: Analysis
    scene: Scene
    beats: Beats | None
    long_beats: Beats | None
    gain: FloatArray


def compare_sides(
    before: Sequence[Analysis],
    after: Sequence[Analysis],
    *,
    names: tuple[str, str] = ("before", "after"),
    symptoms: Sequence[str] = (),
    vehicle: Vehicle | None = None,
    one_phone: bool = False,
) -> Comparison:
    """Compare two sides of analysed recordings of one car.

    Parameters
    ----------
    before, after:
        At least one recording each, none on both sides.
    names:
        What the sides are called.
    symptoms:
        Compare these whether or not they are recognised; others only where one recording has them with a
        probability of at least one half.
    vehicle:
        What is known of the car, as it was told to ``analyse``.
    one_phone:
        The user states that all recordings were made with one phone at one place. Without it the recordings
        themselves show how likely that is.

    Raises
    ------
    UsageError
        If a side is empty, a recording stands twice or on both sides, or a symptom is unknown.
    """
    _refuse(before, after, symptoms)
    before, after, told = agreed_speeds(before, after)
    whole_before, whole_after = tuple(before), tuple(after)
    before, after, misread = without_misread(before, after)
    before, after = ([heard_while_running(found)[0] for found in side] for side in (before, after))
    before, after, poor = carrying(before, after)
    conditions = conditions_of(before, after, names=names)
    conditions = replace(conditions, notes=(*conditions.notes, *told, *misread, *poor))
    odds = odds_alike(before, after, stated=one_phone)
    wanted = [
        name
        for name in SYMPTOMS
        if name in symptoms or _likeliest(name, (*before, *after)) >= HEARD_IN_EITHER
    ]
    usable = all(found.quality.usable for found in (*before, *after))
    sides = (
        [[_heard(found, conditions, vehicle) for found in side] for side in (before, after)] if usable else []
    )
    changes = []
    for name in SYMPTOMS:
        change = _unheard(name)
        if name in wanted and usable:
            change = _believed(_change(name, sides, conditions, odds), before, after)
        if name in wanted and not conditions.comparable:
            change = replace(_unheard(name), reason="the sides cannot be compared, see the warnings")
        changes.append(change)
    if usable:
        difference = _engine_difference(sides, conditions)
        note = one_phone_note(_least_uneven(changes, difference), names) if one_phone else None
        more = _more(changes, (len(before), len(after)))
        perhaps = [
            name
            for name in SYMPTOMS
            if name not in wanted and _likeliest(name, (*before, *after)) >= PERHAPS_IN_EITHER
        ]
        said = (
            note or place_note(difference, names),
            perhaps_note(perhaps),
            more,
            _least_note(changes, (*before, *after)),
            _pump_note((*before, *after)),
        )
        conditions = replace(conditions, notes=(*conditions.notes, *(note for note in said if note)))
    views = [[h.scene.angle for h in side if h.scene.angle is not None] for side in sides] or [[], []]
    orders = order_changes(*views) if conditions.comparable and all(views) else ()
    heard = {name for name in SYMPTOMS if _likeliest(name, (*before, *after)) >= HEARD_IN_EITHER}
    return Comparison(
        names=names,
        before=whole_before,
        after=whole_after,
        conditions=conditions,
        symptoms=tuple(changes),
        orders=orders,
        maps=change_maps(*views) if all(views) else None,
        listening=_listening(sides, conditions, names) if usable else None,
        cautions=cautions_for(sorted(heard | set(wanted)), [], knowledge=load_knowledge()),
        one_phone=one_phone,
        pump_order=None if vehicle is None else vehicle.first_ripple_order,
        odd_vanes=vehicle is not None and (vehicle.vanes or 0) % 2 == 1,
    )


def _likeliest(name: str, everything: Sequence[Analysis]) -> float:
    return max((found.symptom(name).probability for found in everything), default=0.0)


def _believed(change: SymptomChange, before: Sequence[Analysis], after: Sequence[Analysis]) -> SymptomChange:
    """Call no sound unchanged that one side plainly has and the other, for itself, has not.

    What is as loud on both sides is then another sound in the same bands.
    """
    likely = [max(found.symptom(change.name).probability for found in side) for side in (before, after)]
    if change.word != "unchanged" or max(likely) < PLAIN or min(likely) > UNLIKELY:
        return change
    return replace(change, word="cannot_tell", reason=ANOTHER_SOUND)


def _more(changes: Sequence[SymptomChange], counts: tuple[int, int]) -> Note | None:
    """What to do about the sounds of which a change of ``UNCHANGED_WITHIN_DB`` would often be missed."""
    told = [change for change in changes if change.change_db is not None]
    alike = bool(told) and min(change.alike for change in told) > 0.5
    return more_recordings_note([change.needed for change in told], counts, UNCHANGED_WITHIN_DB, alike=alike)


def _least_note(changes: Sequence[SymptomChange], everything: Sequence[Analysis]) -> Note | None:
    """Why a least change is smaller for the steering's being stated, where one of whine or groan is told."""
    least = [each for each in changes if each.name in STEERED and each.change_db is None]
    told = any(each.word in ("gone", "quieter", "louder") for each in least)
    return stated_steering_note(everything) if told else None


def _pump_note(everything: Sequence[Analysis]) -> Note | None:
    """What was noted first of a whine that is not the stated pump's: another tone may be what is compared."""
    notes = (note for found in everything for note in found.speed.notes if note.code == "pump_elsewhere")
    return next(notes, None)


def _least_uneven(changes: Sequence[SymptomChange], difference_db: FloatArray) -> float:
    """By how much the engine's bands differ beyond the gain where that is least, dB: in no symptom's way."""
    found = [change.uneven_db for change in changes if np.isfinite(change.uneven_db)]
    if not found and len(difference_db) >= FEWEST_BANDS:
        found.append(unevenness_db(difference_db, np.ones(len(difference_db))))
    return min(found, default=0.0)


def _refuse(before: Sequence[Analysis], after: Sequence[Analysis], symptoms: Sequence[str]) -> None:
    if not before or not after:
        raise UsageError(
            "two sides are needed for a comparison",
            got=f"{len(before)} recordings before and {len(after)} after",
            allowed="at least one recording on either side",
            todo="name the recordings made before, then --after and those made after",
        )
    seen: dict[str, str] = {}
    for found in (*before, *after):
        key = found.clip.sha256 or found.clip.name
        if key in seen:
            raise UsageError(
                "one recording stands twice in the comparison",
                got=f"{seen[key]} and {found.clip.name} hold the same sound",
                allowed="every recording once, on one side",
                todo="leave one of them out",
            )
        seen[key] = found.clip.name
    strange = [name for name in symptoms if name not in SYMPTOMS]
    if strange:
        raise UsageError(
            "there is no such symptom",
            got=", ".join(strange),
            allowed=", ".join(SYMPTOMS),
            todo="correct the name",
        )


def _unheard(name: str) -> SymptomChange:
    """What is said of a symptom that no recording has."""
    return SymptomChange(
        name,
        "cannot_tell",
        None,
        -np.inf,
        np.inf,
        None,
        False,
        False,
        (),
        (),
        0,
        "prior",
        reason=UNHEARD,
    )


def _heard(found: Analysis, conditions: Conditions, vehicle: Vehicle | None) -> _Heard:
    """Prepare a recording in the band that all carry."""
    quality = replace(found.quality, band_hz=conditions.band_hz)
    scene = build_scene(found.clip, quality, found.speed, found.phases, vehicle)
    return _Heard(found, scene, beats_of(scene), beats_of(scene, LONG_REV), gain_db(scene))


def _within(heard: _Heard, conditions: Conditions) -> Mask:
    """The instants whose speed counts; all where the sides share no speed."""
    rpm = heard.scene.rpm
    everywhere = np.ones(len(heard.scene.time_s), bool)
    if conditions.speed_rpm is None or not conditions.shared_speed:
        return everywhere
    inside = (rpm >= conditions.speed_rpm[0]) & (rpm <= conditions.speed_rpm[1])
    return inside if inside.sum() > 0.3 * len(inside) else everywhere


def _masks(heard: _Heard, conditions: Conditions) -> Masks:
    return masks_of(heard.scene, heard.analysis.phases, _within(heard, conditions), heard.gain)


def _measured(
    name: str,
    heard: _Heard,
    conditions: Conditions,
    order: float,
    lines: Mask | None,
    thirds: Mask | None = None,
) -> Measured:
    masks = _masks(heard, conditions)
    symptom = strengths_of(
        heard.scene, name, masks, heard.long_beats, heard.gain, order=order, lines=lines, thirds=thirds
    )
    tone = order if name == "pump_whine" else None
    engine = engine_bands(heard.scene, masks, heard.beats, heard.gain, tone=tone)
    if name in RESTLESS:
        # It never rests, so that the engine's noise is hidden where it is loud; there its beat is taken.
        beats = heard.beats if lines is None else heard.long_beats
        beat = engine_swing(heard.scene, beats, heard.gain, SWING_HZ, lines)
        # A chirp is measured by its mean, its bursts stand far above that.
        bursts = BURSTS if name == "belt_chirp" else 1.0
        free = untouched(engine, symptom, STRONG / bursts)
        if name == "belt_chirp":
            free = between_bursts(heard.scene, masks, heard.gain, free, symptom)
        engine = both(free, untouched(beat, symptom, 1.0 / bursts))
    rise = None
    if name == "cavitation_groan":
        engine = maybe_touched(engine, symptom)
        rise = rises_of(heard.scene, masks)
    doubtful = name == "pump_whine" and float(half_order_distance(order)) < NEAR_HALF_ORDER
    return Measured(symptom, engine, NEAR_HALF_DB if doubtful else 0.0, rise)


def _change(name: str, sides: list[list[_Heard]], conditions: Conditions, odds: float) -> SymptomChange:
    """Measure one symptom in all recordings at the same orders and estimate its change.

    Nothing in it depends on which side is called before.
    """
    order = _whine_order(sides, conditions) if name == "pump_whine" else 1.0
    lines = None
    if name == "bearing_growl":
        lines = growl_lines([[h.long_beats for h in side if h.long_beats is not None] for side in sides])
    before, after = ([_measured(name, heard, conditions, order, lines) for heard in side] for side in sides)
    if name == "belt_squeal":
        thirds = common_thirds([m.symptom for m in before], [m.symptom for m in after])
        before, after = (
            [_measured(name, heard, conditions, order, lines, thirds) for heard in side] for side in sides
        )
    return change_of(name, before, after, odds=odds)


def _whine_order(sides: list[list[_Heard]], conditions: Conditions) -> float:
    """The order at which a whine stands still in all recordings; 1 where none has a tone."""
    drives = []
    for heard in itertools.chain(*sides):
        clip, speed, phases = heard.analysis.clip, heard.analysis.speed, heard.analysis.phases
        angle = pump_angle(clip.samples, clip.sample_rate_hz, speed)
        drives.append(find_drive(angle, phases=phases, vehicle=heard.scene.vehicle))
    masks = [[_masks(heard, conditions) for heard in side] for side in sides]

    def level_db(order: float) -> float:
        means = []
        for side, each in zip(sides, masks, strict=True):
            found = [
                strengths_of(h.scene, "pump_whine", m, h.beats, h.gain, order=order, lines=None)
                for h, m in zip(side, each, strict=True)
            ]
            own = PRIORS["pump_whine"].healthy
            power = [np.nansum(np.clip(s.power - own * s.error, 0.0, None)) for s in found]
            means.append(float(np.mean(power)))
        return 10.0 * math.log10(max(*means, FAINTEST_TONE))

    return common_order(drives, level_db) or 1.0


def _listening(sides: list[list[_Heard]], conditions: Conditions, names: tuple[str, str]) -> Alternation:
    """The loudest part of the first recording of either side, in turn at equal engine loudness."""
    first = [side[0] for side in sides]
    starts = []
    for heard in first:
        masks = _masks(heard, conditions)
        width = round(PART_S / 0.05)
        counts = np.convolve(masks.loud.astype(float), np.ones(width), mode="valid")
        starts.append(0.05 * int(np.argmax(counts)) if len(counts) else 0.0)
    engines = [_measured("relief_hiss", heard, conditions, 1.0, None).engine for heard in first]
    return alternate(
        first[0].analysis.clip,
        first[1].analysis.clip,
        start_s=(starts[0], starts[1]),
        engines=(engines[0], engines[1]),
        band_hz=conditions.band_hz,
        names=names,
    )


def _engine_difference(sides: list[list[_Heard]], conditions: Conditions) -> FloatArray:
    """The engine's bands after less before, dB, where the first recordings of both sides show them
    clearly."""
    one, two = (_measured("relief_hiss", side[0], conditions, 1.0, None).engine for side in sides)
    with np.errstate(invalid="ignore"):
        clear = (one.power > 3.0 * one.error) & (two.power > 3.0 * two.error)
    return np.asarray(10.0 * np.log10(two.power[clear] / one.power[clear]))


def flipped(comparison: Comparison) -> Comparison:
    """Give the comparison looked at the other way round, without listening again."""
    return replace(
        comparison,
        names=(comparison.names[1], comparison.names[0]),
        before=comparison.after,
        after=comparison.before,
        symptoms=tuple(mirrored(change) for change in comparison.symptoms),
        orders=tuple(change.mirrored() for change in comparison.orders),
        maps=None if comparison.maps is None else comparison.maps.mirrored(),
    )
