"""The values that cross rooms: frozen, with units in their names and arrays made read-only.

Times are seconds from the start of the clip. Speeds are revolutions of the crankshaft a minute. Levels are
decibels, either relative to full scale or relative to what surrounds the sound, and say which.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "PHASES",
    "SYMPTOMS",
    "Analysis",
    "CauseFinding",
    "CheckAdvice",
    "Clip",
    "DriveFinding",
    "Evidence",
    "FloatArray",
    "Note",
    "PhaseName",
    "PhaseSpan",
    "Phases",
    "PumpReading",
    "Quality",
    "SpeedAlternative",
    "SpeedTrace",
    "SymptomFinding",
    "Verdict",
    "read_only",
]

FloatArray = NDArray[np.floating[Any]]
Span = tuple[float, float]
PhaseName = Literal["centre", "turning", "stop"]
PHASES: tuple[PhaseName, ...] = ("centre", "turning", "stop")
SYMPTOMS: tuple[str, ...] = (
    "pump_whine",
    "cavitation_groan",
    "belt_squeal",
    "belt_chirp",
    "relief_hiss",
    "bearing_growl",
)


def read_only(values: FloatArray) -> FloatArray:
    """Return the array with writing switched off (a view where it was writable)."""
    view = np.asarray(values).view()
    view.flags.writeable = False
    return view


@dataclass(frozen=True)
class Note:
    """One remark on a recording or on a step: a stable code, a sentence, and when it applies.

    ``severity``: ``info`` (for the record), ``warning`` (trust less), ``refusal`` (no diagnosis).
    """

    code: str
    text: str
    spans_s: tuple[Span, ...] = ()
    severity: Literal["info", "warning", "refusal"] = "warning"


@dataclass(frozen=True, eq=False)
class Clip:
    """One channel of sound with its rate and where it came from.

    samples: float32, shape (n,), full scale is 1. ``sample_rate_hz`` is the rate of ``samples``;
    ``file_sample_rate_hz`` that of the file (they differ where the clip was resampled, which a note says).
    ``other_channels`` holds the channels not listened to, shape (channels - 1, n), so that a pulse channel
    can be read; ``channel_used`` counts from 1.
    """

    samples: FloatArray
    sample_rate_hz: int
    name: str
    sha256: str
    codec: str
    channels: int = 1
    channel_used: int = 1
    file_sample_rate_hz: int = 0
    bit_rate: int | None = None
    notes: tuple[Note, ...] = ()
    other_channels: FloatArray | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True)
class Quality:
    """Whether the recording can be used, what is wrong with it, and the band it can speak for.

    ``band_hz``: lowest and highest frequency that the recording really carries. ``levels_usable`` is false
    where the codec makes levels and modulation depths meaningless (AMR).
    """

    usable: bool
    notes: tuple[Note, ...]
    band_hz: tuple[float, float]
    levels_usable: bool = True


@dataclass(frozen=True)
class SpeedAlternative:
    """Another reading of the same clip: the speed times ``factor``, with that many cylinders."""

    factor: float
    cylinders: int | None
    probability: float


@dataclass(frozen=True, eq=False)
class SpeedTrace:
    """Engine speed over time, with its band and confidence.

    time_s, rpm, rpm_low, rpm_high, instant_confidence: shape (n,); rpm is NaN where it is unknown.
    ``confidence`` is the probability that the whole trace follows the true speed (not half or double it).
    ``rpm_low`` and ``rpm_high`` bound the middle 90 % of the posterior at each instant. ``other_course`` is
    the probability that the usual speed is right, but not the course for a part of the time.
    """

    source: Literal["acoustic", "entered", "table", "tach", "none"]
    confidence: float
    time_s: FloatArray
    rpm: FloatArray
    rpm_low: FloatArray
    rpm_high: FloatArray
    instant_confidence: FloatArray
    cylinders: int | None = None
    cylinders_source: Literal["entered", "heard", "unknown"] = "unknown"
    alternatives: tuple[SpeedAlternative, ...] = ()
    notes: tuple[Note, ...] = ()
    other_course: float = 0.0

    @property
    def known(self) -> bool:
        """Whether any instant has a speed."""
        return bool(np.isfinite(self.rpm).any())

    @property
    def median_rpm(self) -> float:
        """Median speed over the known instants, NaN where there is none."""
        return float(np.nanmedian(self.rpm)) if self.known else float("nan")


@dataclass(frozen=True)
class PhaseSpan:
    """A stretch of the clip in one steering phase."""

    phase: PhaseName
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Phases:
    """What the steering wheel did, and how that is known."""

    source: Literal["marked", "tabled", "inferred", "unknown"]
    spans: tuple[PhaseSpan, ...] = ()
    confidence: float = 0.0
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """One measurement that speaks for or against a symptom, as a number with its unit and as a sentence."""

    measure: str
    value: float
    unit: str
    text: str


@dataclass(frozen=True)
class SymptomFinding:
    """One symptom: how probable, how loud, when, and why.

    ``level_db``: decibels relative to the engine in the same recording, None where it cannot be measured.
    """

    name: str
    probability: float
    level_db: float | None
    spans_s: tuple[Span, ...]
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True)
class Verdict:
    """The answer in one word of ours and one sentence."""

    kind: Literal["symptoms", "normal", "cannot_tell", "not_an_engine_bay"]
    text: str


@dataclass(frozen=True)
class CauseFinding:
    """A cause that one would repair, with its probability and what speaks for it."""

    name: str
    title: str
    probability: float
    because: tuple[str, ...]


@dataclass(frozen=True)
class CheckAdvice:
    """What to look at next, what it costs and what it tells apart."""

    name: str
    title: str
    minutes: float
    cost_low: float
    cost_high: float
    currency: str
    gain_bits: float
    tells_apart: tuple[str, ...]


@dataclass(frozen=True)
class PumpReading:
    """A drive that would explain the pump's tone: pump turns per crank turn, vanes, probability."""

    ratio: float
    vanes: int
    probability: float


@dataclass(frozen=True)
class DriveFinding:
    """What the sound betrays of the pump's drive and of its belt.

    ``pump_presence``: probability that a tone of the pump is heard. ``pump_order``: of its first ripple with
    its standard deviation and the probability that it is this one; None where no tone is heard. ``readings``:
    the posterior over pulley ratio and vanes; ``told_apart``: whether its first one is to be trusted.
    ``slip_percent``: greatest slip of the belt while it squeals, None where it cannot be measured.
    ``belt_repeats``: whether bursts come once a belt pass or once a pulley turn, at ``belt_order``.
    ``texts``: the same in sentences.
    """

    pump_presence: float
    pump_order: float | None
    pump_order_sd: float | None
    pump_order_probability: float
    told_apart: bool
    readings: tuple[PumpReading, ...]
    slip_percent: float | None
    slip_sd_percent: float | None
    slip_spans_s: tuple[Span, ...]
    belt_repeats: Literal["belt", "pulley", "none"]
    belt_order: float | None
    belt_order_sd: float | None
    belt_length_mm: float | None
    texts: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Analysis:
    """All that the program found in one clip. Nothing downstream looks at the sound again."""

    clip: Clip
    quality: Quality
    speed: SpeedTrace
    phases: Phases
    symptoms: tuple[SymptomFinding, ...]
    verdict: Verdict
    causes: tuple[CauseFinding, ...]
    next_checks: tuple[CheckAdvice, ...]
    cautions: tuple[str, ...]
    measurements: dict[str, float] = field(default_factory=dict)
    drive: DriveFinding | None = None

    def symptom(self, name: str) -> SymptomFinding:
        """Give the finding of one symptom by its name."""
        return next(found for found in self.symptoms if found.name == name)
