"""Can two sides be compared at all: band, speed, steering, coding, place of the phone? And what to record
again?

Only what both sides carry is compared: the band of the poorer recording, the speeds that all pass through,
the
same steering. What cannot be made equal is said, with what to do about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiodiag.comparison.likeness import CONTRADICTED_DB, coding_kind
from audiodiag.records import Analysis, FloatArray, Note

__all__ = [
    "Conditions",
    "carrying",
    "conditions_of",
    "more_recordings_note",
    "one_phone_note",
    "perhaps_note",
    "place_note",
    "stated_steering_note",
]

SPEED_NEAR = 0.15
"""Share by which the speeds of two sides may differ and still be compared without a warning."""
SPEED_FAR = 0.40
"""Share from which nothing is claimed any more."""
SPEED_MARGIN = 0.03
LEAST_SHARED_S = 3.0
SHARED_SHARE = 0.5
LEAST_CONFIDENCE = 0.3
POOR = 0.5
"""Share of the band that recordings commonly carry below which one is left out (an assumption)."""
PLACE_DB = 6.0
"""Spread of the engine's bands between the sides from which the phone is said to have lain elsewhere."""


@dataclass(frozen=True)
class Conditions:
    """What is compared with what.

    band_hz: what all recordings carry. speed_rpm: the range of speeds that counts, None where none is known.
    shared_speed: whether both sides really pass through it. notes: what is not alike, worst first; a
    refusal among them means that no change is claimed.
    """

    band_hz: tuple[float, float]
    speed_rpm: tuple[float, float] | None
    shared_speed: bool
    notes: tuple[Note, ...]

    @property
    def comparable(self) -> bool:
        """Whether a change may be claimed."""
        return all(note.severity != "refusal" for note in self.notes)


def conditions_of(
    before: Sequence[Analysis],
    after: Sequence[Analysis],
    *,
    names: tuple[str, str] = ("before", "after"),
) -> Conditions:
    """Find what both sides have in common, and say what they have not.

    Parameters
    ----------
    before, after:
        The analysed recordings of both sides, at least one each.
    names:
        What the sides are called.
    """
    everything = (*before, *after)
    low = max(found.quality.band_hz[0] for found in everything)
    high = min(found.quality.band_hz[1] for found in everything)
    notes: list[Note] = [
        *_unusable(everything),
        *(_band(low, high, everything) or _codings(before, after, names)),
    ]
    speed, shared, told = _speeds(before, after, names)
    notes += [*told, *_steering(everything)]
    order = {"refusal": 0, "warning": 1, "info": 2}
    return Conditions(
        band_hz=(low, high),
        speed_rpm=speed,
        shared_speed=shared,
        notes=tuple(sorted(notes, key=lambda note: order[note.severity])),
    )


def carrying(
    before: Sequence[Analysis], after: Sequence[Analysis]
) -> tuple[tuple[Analysis, ...], tuple[Analysis, ...], tuple[Note, ...]]:
    """Leave out recordings that carry far less than the others, where their side has better ones: only what
    all carry can be compared.

    Gives both sides as they are to be compared, and a note for each that was left out.
    """
    usual = float(np.median([found.quality.band_hz[1] for found in (*before, *after)]))
    sides, notes = [], []
    for side in (before, after):
        good = tuple(found for found in side if found.quality.band_hz[1] >= POOR * usual)
        sides.append(good or tuple(side))
        notes += [
            Note(
                "left_out",
                f"{found.clip.name} carries nothing above {found.quality.band_hz[1] / 1000:.1f} kHz and is "
                "left out, since only what all recordings carry can be compared.",
            )
            for found in side
            if good and found not in good
        ]
    return sides[0], sides[1], tuple(notes)


def one_phone_note(uneven_db: float, names: tuple[str, str]) -> Note | None:
    """Say that the recordings contradict the user, who stated one phone at one place.

    ``uneven_db``: by how much the engine's bands differ between the sides beyond the gain.

    >>> one_phone_note(1.2, ("before", "after")) is None, one_phone_note(5.0, ("before", "after")).code
    (True, 'not_one_phone')
    """
    if not uneven_db > CONTRADICTED_DB:
        return None
    return Note(
        "not_one_phone",
        f"One phone at one place was stated, but the engine's own bands differ by {uneven_db:.0f} dB beyond "
        f"the gain, as they do with another phone or another place. The statement counts little here. Record "
        f"{names[1]} again with the same phone at the same place, or leave the statement out.",
    )


def place_note(difference_db: FloatArray, names: tuple[str, str]) -> Note | None:
    """Say that the phone lay elsewhere, where the engine's own bands differ unevenly between the sides.

    ``difference_db``: shape (n,), the engine's bands after less before.

    >>> place_note(np.array([3.0, 3.1, 2.9, 3.0]), ("before", "after")) is None
    True
    >>> place_note(np.array([-9.0, 9.0, -8.0, 7.0]), ("before", "after")).code
    'other_place'
    """
    if len(difference_db) < 3 or float(np.std(difference_db)) < PLACE_DB:
        return None
    return Note(
        "other_place",
        f"The engine itself sounds different on the two sides (its bands differ by "
        f"{np.std(difference_db):.0f} "
        f"dB beyond the gain): the phone lay elsewhere, or it was another phone. Record {names[1]} "
        f"again with "
        "the same phone at the same place, the same way round.",
    )


def more_recordings_note(
    needed: Sequence[int | None], counts: tuple[int, int], change_db: float, *, alike: bool = False
) -> Note | None:
    """Say how many recordings would find a change that these would often miss.

    ``needed``: for every sound recordings a side that find such a change in nine of ten cases, None where
    even many would not. ``counts``: recordings at hand, before and after. ``alike``: phone and place are the
    same.

    >>> more_recordings_note([4, 3], (1, 1), 6.0).code, more_recordings_note([4, None], (1, 1), 6.0).code
    ('more_recordings', 'same_phone_and_place')
    >>> more_recordings_note([4, 3], (1, 1), 6.0, alike=True).code, more_recordings_note([2], (2, 2), 6.0)
    ('more_of_the_same', None)
    """
    missed = (
        f"With these recordings a change of {change_db:.0f} dB would be missed in more than one case of ten"
    )
    most = max((number for number in needed if number is not None), default=0)
    if None in needed and not alike:
        return Note(
            "same_phone_and_place",
            f"{missed} for some sounds, and by their widths even eight a side might not do. Make eight a "
            "side, each at another place and with another phone; or record both sides with one phone at one "
            "place.",
            severity="info",
        )
    if most <= min(counts):
        return None
    takes = f"By their widths it takes {most} a side (at hand: {counts[0]} and {counts[1]})"
    if alike:
        return Note("more_of_the_same", f"{missed} for some sounds. {takes}, made alike.", severity="info")
    return Note(
        "more_recordings",
        f"{missed} for some sounds. {takes}, each at another place and with another phone, or with the same "
        "phones on both sides. One phone kept at one place needs fewer.",
        severity="info",
    )


def _unusable(everything: Sequence[Analysis]) -> list[Note]:
    notes = []
    for found in everything:
        if not found.quality.usable:
            why = next((n.text for n in found.quality.notes if n.severity == "refusal"), "")
            notes.append(
                Note("unusable", f"{found.clip.name} cannot be used. {why}".strip(), severity="refusal")
            )
        elif not found.quality.levels_usable:
            notes.append(
                Note(
                    "levels_unusable",
                    f"{found.clip.name} is coded for speech ({found.clip.codec}): levels in it mean nothing. "
                    "Record again with the phone's sound or video recorder, not as a voice message.",
                    severity="refusal",
                )
            )
        elif found.verdict.kind == "not_an_engine_bay":
            notes.append(
                Note(
                    "not_an_engine_bay",
                    f"{found.clip.name} does not sound like an engine bay. Leave it out, or record again.",
                    severity="refusal",
                )
            )
    return notes


def _coding(found: Analysis) -> str:
    rate = (found.clip.file_sample_rate_hz or found.clip.sample_rate_hz) / 1000.0
    bits = f", {found.clip.bit_rate / 1000:.0f} kbit/s" if found.clip.bit_rate else ""
    return f"{found.clip.codec}, {rate:g} kHz{bits}"


def _codings(before: Sequence[Analysis], after: Sequence[Analysis], names: tuple[str, str]) -> list[Note]:
    one, two = ({_coding(found) for found in side} for side in (before, after))
    kinds = ({coding_kind(found.clip.codec) for found in side} for side in (before, after))
    if not all(found.quality.levels_usable for found in (*before, *after)):
        return []  # the refusal says more
    rates = [
        [f.clip.bit_rate for f in side if f.clip.bit_rate and coding_kind(f.clip.codec) != "lossless"]
        for side in (before, after)
    ]
    uneven = all(rates) and not 0.67 < float(np.mean(rates[0])) / float(np.mean(rates[1])) < 1.5
    if next(kinds) == next(kinds) and not uneven:
        return []
    return [
        Note(
            "other_coding",
            f"The sides are coded differently ({names[0]}: {', '.join(sorted(one))}; {names[1]}: "
            f"{', '.join(sorted(two))}), which moves the level of noise by some 1 dB. Record again with the "
            "same program and settings, and send the files untouched.",
        )
    ]


def _band(low_hz: float, high_hz: float, everything: Sequence[Analysis]) -> list[Note]:
    best = max(found.quality.band_hz[1] for found in everything)
    if high_hz > 0.7 * best or high_hz > 10_000.0:
        return []
    poorest = min(everything, key=lambda found: found.quality.band_hz[1])
    if not poorest.quality.levels_usable:
        return []  # the refusal says more
    return [
        Note(
            "band_of_the_poorer",
            f"Only {low_hz:.0f} Hz to {high_hz / 1000:.1f} kHz is compared, because {poorest.clip.name} "
            f"carries no "
            "more. Record it again at high quality, with the same program and settings as the others.",
        )
    ]


def _speeds(
    before: Sequence[Analysis], after: Sequence[Analysis], names: tuple[str, str]
) -> tuple[tuple[float, float] | None, bool, list[Note]]:
    unknown = [
        found.clip.name
        for found in (*before, *after)
        if not found.speed.known
        or (found.speed.source == "acoustic" and found.speed.confidence < LEAST_CONFIDENCE)
    ]
    notes = []
    if unknown:
        notes.append(
            Note(
                "speed_unsure",
                f"The engine speed is not sure in {', '.join(unknown)}, and the engine is the ruler. "
                f"State the "
                "cylinders, state the speed with --before-rpm and --after-rpm, or record again nearer "
                "to the engine.",
            )
        )
    ranges = []
    for side in (before, after):
        rpm = np.concatenate([found.speed.rpm[np.isfinite(found.speed.rpm)] for found in side])
        if not len(rpm):
            return None, False, notes
        ranges.append((float(np.percentile(rpm, 5)), float(np.median(rpm)), float(np.percentile(rpm, 95))))
    (low_b, mid_b, high_b), (low_a, mid_a, high_a) = ranges
    apart = abs(float(np.log(mid_a / mid_b)))
    low, high = max(low_b, low_a) * (1 - SPEED_MARGIN), min(high_b, high_a) * (1 + SPEED_MARGIN)
    shared = low < high and all(_seconds(side, low, high) for side in (before, after))
    if not shared:
        low, high = min(low_b, low_a) * (1 - SPEED_MARGIN), max(high_b, high_a) * (1 + SPEED_MARGIN)
    if apart > np.log1p(SPEED_NEAR) and not shared:
        far = apart > np.log1p(SPEED_FAR)
        notes.append(
            Note(
                "other_speed",
                f"The engine ran at about {mid_b:.0f} rpm {names[0]} and {mid_a:.0f} rpm {names[1]}"
                + (": too far apart to compare. " if far else ", and noise changes with speed. ")
                + f"Record {names[1]} again at about {mid_b:.0f} rpm, with the engine as warm as {names[0]}.",
                severity="refusal" if far else "warning",
            )
        )
    return (low, high), shared, notes


def _seconds(side: Sequence[Analysis], low: float, high: float) -> bool:
    """Whether every recording of the side passes enough time between two speeds."""
    for found in side:
        rpm = found.speed.rpm
        inside = float(np.mean((rpm >= low) & (rpm <= high)))
        if inside * found.clip.duration_s < LEAST_SHARED_S or inside < SHARED_SHARE:
            return False
    return True


def perhaps_note(names: Sequence[str]) -> Note | None:
    """Say how sounds that are perhaps there, and so not compared, are compared all the same; None for none.

    >>> perhaps_note(["pump_whine"]).text
    'Perhaps there on a side, and compared only by audiodiag compare with --symptom pump_whine.'
    """
    if not names:
        return None
    named = " ".join(f"--symptom {name}" for name in names)
    return Note(
        "perhaps_not_compared",
        f"Perhaps there on a side, and compared only by audiodiag compare with {named}.",
        severity="info",
    )


def stated_steering_note(everything: Sequence[Analysis]) -> Note | None:
    """Say why a least change can be smaller with the steering stated than without; None where it is not."""
    if not all(found.phases.source in ("marked", "tabled") for found in everything):
        return None
    return Note(
        "steering_stated",
        "The steering is stated for all recordings, so a whine counts by its mean over all turns and stops, "
        "a groan by that over the stops, and not by the loudest quarter of each recording, which stands "
        "further above what could hide it: a least change can come out smaller than without the statement, "
        "and is the surer one.",
        severity="info",
    )


def _steering(everything: Sequence[Analysis]) -> list[Note]:
    stated = [found.phases.source in ("marked", "tabled") for found in everything]
    if all(stated):
        return []
    return [
        Note(
            "steering_not_stated",
            "Nobody stated when the wheel was turned, so the louder and the calmer stretches of each "
            "recording are "
            "compared. It is surer to do the same on both sides (two seconds at rest, lock to lock "
            "twice, two "
            "seconds at rest) and to state it with --before-steering and --after-steering.",
            severity="warning" if any(stated) else "info",
        )
    ]
