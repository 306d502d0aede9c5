"""Analyses put together by hand, with the simulated sound they speak of, for tests of reports and command."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from audiodiag.records import (
    SYMPTOMS,
    Analysis,
    CauseFinding,
    CheckAdvice,
    Clip,
    Evidence,
    Note,
    Phases,
    PhaseSpan,
    Quality,
    SpeedAlternative,
    SpeedTrace,
    SymptomFinding,
    Verdict,
    read_only,
)

RATE_HZ = 22050
DURATION_S = 10.0
CAUTIONS = (
    "Keep hands, sleeves, hair and the phone's cord away from belts, fan and pulleys.",
    "Run the engine outdoors or with the exhaust led out; brake set, wheels chocked.",
    "Never hold the wheel at a stop for more than five seconds.",
    "The maker's instructions and a licensed technician come before this tool, and local rules before both.",
)


def simulated_clip(*, name: str = "simulated_squeal.m4a", seed: int = 1) -> Clip:
    """A simulated engine of four cylinders near 800 rpm, a pump at order 12, a 3 kHz squeal from 4 to 6 s."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(DURATION_S * RATE_HZ)) / RATE_HZ
    rpm = _rpm(time_s)
    turns = np.cumsum(rpm / 60) / RATE_HZ
    sound = 0.01 * rng.standard_normal(time_s.size)
    for order, gain in (
        (0.5, 0.02),
        (1.0, 0.03),
        (2.0, 0.12),
        (4.0, 0.08),
        (6.0, 0.03),
        (8.0, 0.02),
        (12.0, 0.05),
    ):
        sound += gain * np.sin(2 * np.pi * order * turns + order)
    squeals = (time_s > 4) & (time_s < 6)
    wander = 3000 + 60 * np.sin(2 * np.pi * 1.3 * time_s)
    sound += np.where(squeals, 0.08 * np.sin(2 * np.pi * np.cumsum(wander) / RATE_HZ), 0)
    return Clip(
        samples=read_only(sound.astype(np.float32)),
        sample_rate_hz=RATE_HZ,
        name=name,
        sha256="0" * 64,
        codec="aac",
        file_sample_rate_hz=44100,
        notes=(
            Note("resampled", "Re-sampled from 44100 Hz to 22050 Hz.", severity="info"),
            Note("simulated", "This clip is simulated.", severity="info"),
        ),
    )


def _rpm(time_s: np.ndarray) -> np.ndarray:
    return 800 + 30 * np.sin(2 * np.pi * 0.2 * time_s) - 40 * np.exp(-(((time_s - 5) / 0.6) ** 2))


def speed_trace() -> SpeedTrace:
    time_s = np.arange(0, DURATION_S, 0.1)
    rpm = _rpm(time_s)
    rpm[:3] = np.nan
    return SpeedTrace(
        source="acoustic",
        confidence=0.93214,
        time_s=read_only(time_s),
        rpm=read_only(rpm),
        rpm_low=read_only(rpm - 12),
        rpm_high=read_only(rpm + 15),
        instant_confidence=read_only(np.full(time_s.size, 0.9)),
        cylinders=4,
        cylinders_source="heard",
        alternatives=(SpeedAlternative(0.5, 8, 0.061), SpeedAlternative(2.0, 2, 0.006)),
    )


def no_speed() -> SpeedTrace:
    time_s = np.arange(0, DURATION_S, 0.1)
    unknown = read_only(np.full(time_s.size, np.nan))
    return SpeedTrace("none", 0.0, read_only(time_s), unknown, unknown, unknown, unknown)


def findings(**sure: float) -> tuple[SymptomFinding, ...]:
    """All six symptoms; those named have the probability given and sound in four spans."""
    spans = ((4.0, 6.0), (7.12345, 7.3), (8.0, 8.04), (9.0, 9.5))
    return tuple(
        SymptomFinding(
            name=name,
            probability=sure.get(name, 0.03),
            level_db=-8.2461 if name in sure else None,
            spans_s=spans if name in sure else (),
            evidence=(
                Evidence("prominence", 13.123456789, "dB", "The tone stands 13 dB above what surrounds it."),
            ),
        )
        for name in SYMPTOMS
    )


def squeal_analysis(clip: Clip | None = None) -> Analysis:
    return Analysis(
        clip=clip or simulated_clip(),
        quality=Quality(
            usable=True,
            notes=(
                Note("wind", "Wind or handling noise below 150 Hz.", spans_s=((0.0, 1.2), (3.0, 3.5))),
                Note("clipping", "Some peaks are cut off."),
            ),
            band_hz=(110.0, 10400.0),
        ),
        speed=speed_trace(),
        phases=Phases(
            "inferred",
            (
                PhaseSpan("centre", 0.0, 2.0),
                PhaseSpan("turning", 2.0, 4.0),
                PhaseSpan("stop", 4.0, 6.0),
                PhaseSpan("turning", 6.0, 8.0),
                PhaseSpan("centre", 8.0, 10.0),
            ),
            0.71,
        ),
        symptoms=findings(belt_squeal=0.9312, pump_whine=0.64),
        verdict=Verdict(
            "symptoms",
            "A belt squeal is heard while the wheel is at a stop, and the pump whines. Look at the belt.",
        ),
        causes=(
            CauseFinding(
                "slipping_belt",
                "Slipping belt",
                0.62,
                ("the squeal starts at the stops", "the pump's order sags by 4 % while it sounds"),
            ),
            CauseFinding("worn_pump", "Worn pump", 0.17, ("the whine grows with load",)),
            CauseFinding("low_or_foaming_fluid", "Low or foaming fluid", 0.11, ("the pump whines",)),
            CauseFinding("nothing_wrong", "Nothing wrong", 0.01, ()),
        ),
        next_checks=(
            CheckAdvice(
                "belt_tension",
                "Press the belt, look for glaze and oil",
                5,
                0,
                0,
                "EUR",
                0.82,
                ("slipping_belt",),
            ),
            CheckAdvice(
                "fluid_level",
                "Look at the fluid level and for bubbles, engine off and running",
                5,
                0,
                5,
                "EUR",
                0.31,
                ("low_or_foaming_fluid", "worn_pump"),
            ),
            CheckAdvice(
                "pump_pressure", "Have the pump's pressure measured", 45, 40, 90, "EUR", 0.2, ("worn_pump",)
            ),
        ),
        cautions=CAUTIONS,
    )


def normal_analysis() -> Analysis:
    return replace(
        squeal_analysis(),
        symptoms=findings(relief_hiss=0.8),
        verdict=Verdict(
            "normal", "The relief valve hisses at the stop, which is its duty; nothing else is heard."
        ),
        causes=(
            CauseFinding("relief_valve_at_stop", "Relief valve at the stop", 0.9, ("only at the stop",)),
        ),
        next_checks=(),
        phases=Phases("unknown"),
    )


def cannot_tell_analysis() -> Analysis:
    return replace(
        squeal_analysis(simulated_clip(name="kitchen.m4a")),
        quality=Quality(
            False, (Note("too_quiet", "The clip is almost silent.", severity="refusal"),), (200.0, 3400.0)
        ),
        speed=no_speed(),
        phases=Phases("unknown"),
        symptoms=findings(),
        verdict=Verdict("cannot_tell", "The recording is too quiet to tell."),
        causes=(),
        next_checks=(),
    )


def crowded_analysis() -> Analysis:
    """As much as can be said at once: every sound, many notes, long sentences."""
    base = squeal_analysis()
    long = "because " + "a long reason stands here that goes on and on " * 4
    return replace(
        base,
        quality=Quality(
            True,
            tuple(
                Note(f"note_{i}", f"Note number {i} that has quite a lot to say on the recording.")
                for i in range(9)
            ),
            (100.0, 9000.0),
        ),
        symptoms=findings(**dict.fromkeys(SYMPTOMS, 0.9)),
        causes=tuple(CauseFinding(f"cause_{i}", f"Cause {i}", 0.1, (long, long)) for i in range(10)),
        next_checks=tuple(
            CheckAdvice(
                f"check_{i}",
                f"Check {i} " + long,
                5,
                0,
                10,
                "EUR",
                0.1,
                tuple(f"cause_{j}" for j in range(4)),
            )
            for i in range(6)
        ),
        cautions=CAUTIONS * 2,
    )
