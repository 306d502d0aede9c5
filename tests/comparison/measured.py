"""From a simulated pair to what the comparison measures in it, without the classifier."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any
from unittest import mock

import numpy as np

from audiodiag.clip import assess_quality
from audiodiag.comparison import compare
from audiodiag.comparison.change import Measured, SymptomChange, change_of
from audiodiag.comparison.likeness import odds_alike
from audiodiag.comparison.strengths import Strengths
from audiodiag.records import SYMPTOMS, Analysis, Clip, Phases, PhaseSpan, SymptomFinding, Verdict
from audiodiag.speed.acoustic import speed_by_ear
from audiodiag.vehicle import Vehicle
from tests.comparison.pairs import Pair, as_clip, recorded

BANDS_HZ = {
    "pump_whine": (100.0, 1500.0),
    "cavitation_groan": (100.0, 4000.0),
    "belt_squeal": (1500.0, 9000.0),
    "belt_chirp": (2000.0, 11000.0),
    "relief_hiss": (1500.0, 11000.0),
    "bearing_growl": (1000.0, 6000.0),
}
"""Where each sound commonly lies: the band of the naive difference."""


_PLAIN = ("seed", "symptom", "change_db", "comparable", "rms_db", "band_db", "by_ear_right", "odds")


@dataclass(frozen=True, eq=False)
class PairRow:
    """What one pair gave: its truth, what was measured, and the naive differences, after less before, dB.

    odds: of one phone at one place, as the comparison held them before it heard the engine.
    """

    seed: int
    symptom: str
    change_db: float
    before: list[Measured]
    after: list[Measured]
    comparable: bool
    rms_db: float
    band_db: float
    by_ear_right: bool
    odds: float = 0.0


def analysis_of(clip: Clip, truth: dict[str, Any], symptom: str, *, stated: bool = True) -> Analysis:
    """Give what the comparison needs of an analysis: quality, speed by ear, the steering as it was."""
    quality = assess_quality(clip)
    vehicle = Vehicle(cylinders=truth["cylinders"])
    speed = speed_by_ear(clip, vehicle=vehicle)
    spans = tuple(PhaseSpan(*span) for span in truth["steering"])
    phases = Phases("marked", spans, 0.95) if stated else Phases("unknown")
    measurements = {"none": 0.0}
    found = tuple(SymptomFinding(n, 1.0 if n == symptom else 0.0, None, (), ()) for n in SYMPTOMS)
    verdict = Verdict("symptoms", "")
    return Analysis(clip, quality, speed, phases, found, verdict, (), (), (), measurements)


def compared(
    symptom: str, before: list[Analysis], after: list[Analysis], *, one_phone: bool = False
) -> tuple[compare.Comparison, list[Measured], list[Measured]]:
    """Compare, and keep what was measured on the way."""
    kept: list[tuple[list[Measured], list[Measured]]] = []

    def keep(name: str, one: list[Measured], two: list[Measured], *, odds: float) -> SymptomChange:
        kept.append((one, two))
        return change_of(name, one, two, odds=odds)

    with mock.patch.object(compare, "change_of", keep):
        found = compare.compare_sides(before, after, symptoms=[symptom], one_phone=one_phone)
    one, two = kept[0] if kept else ([], [])
    return found, one, two


def row_of(
    pair: Pair, sides: tuple[list[tuple[Clip, dict[str, Any]]], ...] | None = None, *, one_phone: bool = False
) -> PairRow:
    """Simulate a pair (or take its clips with their truths) and measure it.

    ``one_phone``: the user states that phone and place were the same.
    """
    if sides is None:
        sides = tuple(
            [(as_clip(made, f"{pair.seed} {k} {i}"), made.truth) for i, made in enumerate(side)]
            for k, side in enumerate(recorded(pair))
        )
    analyses = [[analysis_of(clip, truth, pair.symptom) for clip, truth in side] for side in sides]
    found, before, after = compared(pair.symptom, *analyses, one_phone=one_phone)
    right = all(
        abs(float(np.nanmedian(a.speed.rpm)) / float(np.median(t["rpm"])) - 1.0) < 0.03
        for side, made in zip(analyses, sides, strict=True)
        for a, (_, t) in zip(side, made, strict=True)
    )
    rms = [float(np.mean([_level_db(clip, 20.0, 20000.0) for clip, _ in side])) for side in sides]
    band = [float(np.mean([_level_db(clip, *BANDS_HZ[pair.symptom]) for clip, _ in side])) for side in sides]
    return PairRow(
        pair.seed, pair.symptom, pair.change_db, before, after, found.conditions.comparable,
        rms[1] - rms[0], band[1] - band[0], right, odds_alike(*analyses, stated=one_phone),
    )  # fmt: skip


def row_to_text(row: PairRow) -> str:
    """Write a measured pair as JSON."""

    def plain(strengths: Strengths) -> list[list[float]]:
        return [values.tolist() for values in (strengths.hz, strengths.power, strengths.error)]

    values = {key: getattr(row, key) for key in _PLAIN}
    for side in ("before", "after"):
        values[side] = [
            [plain(m.symptom), plain(m.engine), m.doubt_db, *([] if m.rise is None else [plain(m.rise)])]
            for m in getattr(row, side)
        ]
    return json.dumps(values)


def row_from_text(text: str) -> PairRow:
    """Read what ``row_to_text`` wrote."""

    def strengths(part: list[list[float]]) -> Strengths:
        return Strengths(*(np.array(column, float) for column in part))

    values = json.loads(text)
    for side in ("before", "after"):
        values[side] = [
            Measured(*(strengths(part) for part in one[:2]), float(one[2]), *map(strengths, one[3:]))
            for one in values[side]
        ]
    return PairRow(**values)


def _level_db(clip: Clip, low_hz: float, high_hz: float) -> float:
    """Level of a band, dB re full scale: what a plain level meter shows."""
    power = np.abs(np.fft.rfft(clip.samples)) ** 2
    hz = np.arange(len(power)) * clip.sample_rate_hz / len(clip.samples)
    inside = (hz >= low_hz) & (hz <= high_hz)
    return float(10.0 * np.log10(2.0 * power[inside].sum() / len(clip.samples) ** 2 + 1e-20))
