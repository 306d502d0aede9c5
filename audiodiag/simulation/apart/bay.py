"""The bay built apart, put together: from a seed to a clip and the truth about it.

A second simulation, written on its own from the physics of the sounds, so that what is learnt from the first
one can be judged on (and trained with) sounds made by other laws. Its clips are simulated: they are no
recordings, and a good score on them is no proof of a good score on cars.

Ranges of levels, speeds and shares are common practice or assumptions without a published source, unless
one is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypedDict, Unpack

import numpy as np

from audiodiag.errors import UsageError
from audiodiag.records import PHASES, SYMPTOMS, FloatArray
from audiodiag.simulation.codecs import is_quick, through_codec
from audiodiag.simulation.settings import SimulatedClip, allowed_names, generator_for

from .bearing import GROWLS, HISSES, make_growl, make_hiss
from .belt import CHIRPS, SQUEALS, make_chirp, make_squeal, squeal_spans
from .course import MODES, STEERING, Course, Steered, make_course, steer
from .engine import ENGINES, make_engine
from .phone import CODECS, DONE, HELD, draw_codec, draw_path, recorded, swayed
from .pump import GROANS, WHINES, Part, make_drive, make_groan, make_whine, slipping
from .sound import between, pick, unit
from .yard import SOUNDS, make_sound

__all__ = ["DISTURBANCES", "LEVELS_DB", "VARIANTS", "Fixed", "Scene", "make_scene", "simulate_apart"]

VARIANTS: dict[str, dict[str, float]] = {
    "engine": ENGINES,
    "pump_whine": WHINES,
    "cavitation_groan": GROANS,
    "belt_squeal": SQUEALS,
    "belt_chirp": CHIRPS,
    "relief_hiss": HISSES,
    "bearing_growl": GROWLS,
}
"""Structural variants of each source, with their weights."""
LEVELS_DB: dict[str, tuple[float, float]] = {
    "pump_whine": (-14.0, 6.0),
    "cavitation_groan": (-14.0, 6.0),
    "belt_squeal": (-20.0, 0.0),
    "belt_chirp": (-20.0, 0.0),
    "relief_hiss": (-20.0, 0.0),
    "bearing_growl": (-20.0, 0.0),
}
"""Range of each symptom's power over its active time re the engine's power over the clip."""
HEALTHY_RIPPLE = ("healthy_ripple", 0.14, (-36.0, -18.0))
"""A pump in good order is heard faintly too: its name, how often where it does not whine, its level."""
DISTURBANCES: tuple[str, ...] = (*SOUNDS, HEALTHY_RIPPLE[0], "room", HELD[0], *DONE)
"""Parts that are no symptom, surroundings, and what room and phone do."""
_LATE = ("draught", "idler", "blower", "purge_valve", "intake_leak", "loose_sheet")
_STEERING_GEAR = ("gear_flow", "tyre_twist", "bush_squeak")
_OTHER_PARTS = ("belt_part",)
"""Drawn last and in this order, the second three and the last by numbers of their own, so that all that was
drawn before they were made stays."""
_OFTEN = {
    "pump_whine": 0.2,
    "cavitation_groan": 0.2,
    "belt_squeal": 0.17,
    "belt_chirp": 0.18,
    "relief_hiss": 0.4,
    "bearing_growl": 0.18,
}
_CYLINDERS = {"3": 0.13, "4": 0.58, "5": 0.05, "6": 0.16, "8": 0.08}
_SHORTEST_S, _LONGEST_S = 3.0, 60.0


@dataclass(frozen=True, eq=False)
class Scene:
    """A clip before it is encoded: samples of shape (n,), the truth, and each part at the microphone."""

    samples: FloatArray
    rate: int
    truth: dict[str, Any]
    parts: dict[str, FloatArray]


class Fixed(TypedDict, total=False):
    """What a caller may fix about a clip; what is left out or None is drawn.

    ``steering`` is a style of ``course.STEERING`` or (phase, start, end) spans from 0 to the end;
    ``disturbances`` are out of ``DISTURBANCES``.
    """

    symptoms: tuple[str, ...] | None
    levels_db: Mapping[str, float] | None
    variants: Mapping[str, str] | None
    mode: str | None
    steering: str | Steered | None
    cylinders: int | None
    pulley_ratio: float | None
    vanes: int | None
    belt_order: float | None
    idle_rpm: float | None
    duration_s: float | None
    sample_rate_hz: int | None
    codec: str | None
    bit_rate: int | None
    disturbances: tuple[str, ...] | None


def simulate_apart(seed: int, **fixed: Unpack[Fixed]) -> SimulatedClip:
    """Make one clip from its seed; what is not fixed is drawn.

    The samples are decoded and aligned to the truth's times;
    ``parts`` holds "engine" and each symptom after room and microphone, before gain control and codec.
    Raises UsageError for names and values that are not allowed.

    >>> clip = simulate_apart(3, duration_s=4.0, codec="wav", symptoms=("pump_whine",))
    >>> clip.truth["symptoms"], len(clip.samples) == 4 * clip.sample_rate_hz
    (['pump_whine'], True)
    """
    scene = make_scene(seed, **fixed)
    truth = scene.truth
    samples = through_codec(
        scene.samples, scene.rate, truth["codec"], truth["bit_rate"], quick=truth["quick_encoder"]
    )
    return SimulatedClip(samples, scene.rate, scene.truth, scene.parts)


def make_scene(
    seed: int,
    *,
    symptoms: tuple[str, ...] | None = None,
    levels_db: Mapping[str, float] | None = None,
    variants: Mapping[str, str] | None = None,
    mode: str | None = None,
    steering: str | Steered | None = None,
    cylinders: int | None = None,
    pulley_ratio: float | None = None,
    vanes: int | None = None,
    belt_order: float | None = None,
    idle_rpm: float | None = None,
    duration_s: float | None = None,
    sample_rate_hz: int | None = None,
    codec: str | None = None,
    bit_rate: int | None = None,
    disturbances: tuple[str, ...] | None = None,
) -> Scene:
    """Make a clip as the phone hands it to its encoder; arguments as of ``simulate_apart``."""
    levels_db, variants = dict(levels_db or {}), dict(variants or {})
    _check_names(symptoms, levels_db, variants, mode, steering, codec, disturbances)
    for said, value, least, most in (
        ("seed", seed, 0, 2**63),
        ("duration_s", duration_s, _SHORTEST_S, _LONGEST_S),
        ("sample_rate_hz", sample_rate_hz, 16000, 96000),
        ("cylinders", cylinders, 2, 12),
        ("idle_rpm", idle_rpm, 500, 1500),
        ("pulley_ratio", pulley_ratio, 0.5, 2.5),
        ("vanes", vanes, 6, 14),
        ("belt_order", belt_order, 0.1, 1.0),
    ):
        if value is not None and not least <= value <= most:
            raise UsageError(
                f"{said} is out of range for a clip of the bay built apart",
                got=repr(value),
                allowed=f"{least:g} to {most:g}",
                todo="give a value in this range",
            )

    rng = generator_for(seed, "apart recording")
    codec, rate, bit_rate, top_hz = draw_codec(rng, codec, sample_rate_hz, bit_rate)
    seconds = round(between(rng, 8, 20), 1) if duration_s is None else float(duration_s)
    n = round(seconds * rate)

    rng = generator_for(seed, "apart driving")
    mode = _kept(mode, pick(rng, MODES))
    idle = _kept(idle_rpm, between(rng, 600, 950))
    style = pick(rng, STEERING)
    if symptoms and "relief_hiss" in symptoms and style in {"still", "sawing"}:
        style = "one_lock" if rng.random() < 0.5 else "lock_to_lock"
    if steering is None or isinstance(steering, str):
        steered = steer(rng, steering or style, seconds)
    else:
        steered = _checked_spans(steering, seconds)
    course = make_course(rng, mode, idle, steered, n, rate)

    rng = generator_for(seed, "apart symptoms")
    heard = _drawn_symptoms(rng, course) if symptoms is None else tuple(s for s in SYMPTOMS if s in symptoms)
    if "relief_hiss" in heard and not course.stops():
        raise UsageError(
            "relief_hiss needs a wheel that is held at a stop",
            got=f"steering without a stop of 0.3 s within {seconds:g} s",
            allowed="steering with a stop",
            todo="leave the steering or its spans open, make the clip longer, or leave the hiss out",
        )
    chosen = {name: variants.get(name, pick(rng, table)) for name, table in VARIANTS.items()}
    levels = {name: levels_db.get(name, round(between(rng, *LEVELS_DB[name]), 2)) for name in SYMPTOMS}

    if chosen["bearing_growl"] == "rumble" and "bearing_growl" not in levels_db:
        levels["bearing_growl"] = round(levels["bearing_growl"] / 2, 2)  # it lies where the engine is loud

    rng = generator_for(seed, "apart car")
    many = _kept(cylinders, int(pick(rng, _CYLINDERS)))
    slips = squeal_spans(rng, course) if "belt_squeal" in heard else []
    slip = between(rng, 0.005, 0.05) if slips else 0.0
    lag = slipping(slips, course, slip)
    drive = make_drive(rng, course, ratio=pulley_ratio, vanes=vanes, belt_order=belt_order, slip=lag)
    engine = make_engine(generator_for(seed, "apart engine"), course, many, chosen["engine"])
    made: dict[str, Part] = {}
    for name in heard:
        rng, variant = generator_for(seed, f"apart {name}"), chosen[name]
        if name == "pump_whine":
            made[name] = make_whine(rng, course, drive, variant)
        elif name == "cavitation_groan":
            made[name] = make_groan(rng, course, drive, variant)
        elif name == "belt_squeal":
            made[name] = make_squeal(rng, course, drive, variant, slips, top_hz)
        elif name == "belt_chirp":
            made[name] = make_chirp(rng, course, drive, variant, top_hz)
        elif name == "relief_hiss":
            made[name] = make_hiss(rng, course, variant, top_hz)
        else:
            made[name] = make_growl(rng, course, drive, variant, top_hz)

    rng = generator_for(seed, "apart disturbances")
    chances = {
        name: SOUNDS[name][1] for name in SOUNDS if name not in (*_LATE, *_STEERING_GEAR, *_OTHER_PARTS)
    } | DONE
    chances |= {name: SOUNDS[name][1] for name in _LATE}
    chances[HEALTHY_RIPPLE[0]] = HEALTHY_RIPPLE[1]
    drawn = [name for name, chance in chances.items() if rng.random() < chance]
    rng = generator_for(seed, "apart steering gear")
    drawn += [name for name in _STEERING_GEAR if rng.random() < SOUNDS[name][1]]
    rng = generator_for(seed, "apart other parts")
    drawn += [name for name in _OTHER_PARTS if rng.random() < SOUNDS[name][1]]
    if generator_for(seed, "apart holding").random() < HELD[1]:
        drawn.append(HELD[0])
    if "pump_whine" in heard:
        drawn = [name for name in drawn if name != HEALTHY_RIPPLE[0]]
    path = draw_path(
        generator_for(seed, "apart phone"), rate, None if disturbances is None else "room" in disturbances
    )
    present = tuple(disturbances) if disturbances is not None else (*drawn, *(("room",) if path.room else ()))
    parts = {"engine": unit(path.heard(engine))}
    for name, part in made.items():
        at_phone = unit(path.heard(part.sound), _within(part.spans_s, n, rate))
        parts[name] = at_phone * np.float32(10 ** (levels[name] / 20))
    whole = np.sum(list(parts.values()), axis=0, dtype=np.float32)
    extra = np.zeros(n, np.float32)
    for name in SOUNDS:
        if name in present:
            rng = generator_for(seed, f"apart {name}")
            gain = 10 ** (between(rng, *SOUNDS[name][2]) / 20)
            sound = make_sound(name, rng, course, many)
            extra += np.float32(gain) * sound
            if not sound.any():  # the wheel is never turned
                present = tuple(each for each in present if each != name)
    if HEALTHY_RIPPLE[0] in present:
        rng = generator_for(seed, f"apart {HEALTHY_RIPPLE[0]}")
        gain = 10 ** (between(rng, *HEALTHY_RIPPLE[2]) / 20)
        extra += np.float32(gain) * unit(make_whine(rng, course, drive, pick(rng, WHINES)).sound)
    at_microphone = np.asarray(whole + path.heard(extra), np.float32)
    if HELD[0] in present:
        at_microphone = swayed(generator_for(seed, "apart hand"), at_microphone, rate)
    samples = recorded(generator_for(seed, "apart gain"), at_microphone, rate, present)

    told = {key: value for part in made.values() for key, value in part.told.items()}
    tenths = np.arange(int(seconds * 10 + 1e-6) + 1) / 10
    truth: dict[str, Any] = {
        "kind": "engine_bay",
        "simulation": "apart",
        "seed": int(seed),
        "cylinders": many,
        "pulley_ratio": drive.ratio,
        "vanes": drive.vanes,
        "belt_order": drive.belt_order,
        "mode": mode,
        "idle_rpm": round(idle, 1),
        "symptoms": list(heard),
        "level_db_re_engine": {name: levels[name] for name in heard},
        "spans_s": {
            name: [[round(a, 3), round(b, 3)] for a, b in part.spans_s] for name, part in made.items()
        },
        "steering": [list(span) for span in steered],
        "time_s": tenths.tolist(),
        "rpm": np.round(np.interp(tenths, np.arange(n) / rate, course.rpm), 2).tolist(),
        "belt_slip": round(slip, 4),
        "duration_s": seconds,
        "sample_rate_hz": rate,
        "codec": codec,
        "bit_rate": bit_rate,
        "quick_encoder": is_quick(seed),
        "variants": {name: chosen[name] for name in ("engine", *heard)},
        "disturbances": [name for name in DISTURBANCES if name in present],
        **told,
    }
    return Scene(samples, rate, truth, parts)


def _kept(given: Any, drawn: Any) -> Any:
    """What was given, or what was drawn where nothing was; it is drawn anyway, so that the rest stays."""
    return drawn if given is None else given


def _within(spans: list[tuple[float, float]], n: int, rate: int) -> FloatArray:
    inside = np.zeros(n, bool)
    for start, end in spans:
        inside[int(start * rate) : int(np.ceil(end * rate))] = True
    return inside


def _drawn_symptoms(rng: np.random.Generator, course: Course) -> tuple[str, ...]:
    """None in a fifth of the clips, else one to three; a hiss only where the wheel is held at a stop."""
    if rng.random() < 0.2:
        return ()
    possible = [name for name in SYMPTOMS if name != "relief_hiss" or course.stops()]
    while True:
        heard = tuple(name for name in possible if rng.random() < _OFTEN[name])
        if 1 <= len(heard) <= 3:
            return heard


def _checked_spans(steering: Steered, seconds: float) -> Steered:
    ends = [0.0, *(span[2] for span in steering)]
    starts = [span[1] for span in steering]
    if not steering or starts != ends[:-1] or abs(ends[-1] - seconds) > 0.05 or sorted(ends) != ends:
        raise UsageError(
            "the steering does not run from 0 to the end of the clip",
            got=repr(steering),
            allowed=f"spans of (phase, start, end) that follow one another from 0 to {seconds:g} s",
            todo="close the gaps between the spans, and give the duration too",
        )
    return tuple((str(phase), float(a), float(b)) for phase, a, b in steering)


def _check_names(
    symptoms: tuple[str, ...] | None,
    levels_db: Mapping[str, float],
    variants: Mapping[str, str],
    mode: str | None,
    steering: str | Steered | None,
    codec: str | None,
    disturbances: tuple[str, ...] | None,
) -> None:
    allowed_names("symptom", symptoms or (), SYMPTOMS)
    allowed_names("symptom level", levels_db, SYMPTOMS)
    allowed_names("source", variants, tuple(VARIANTS))
    for source, variant in variants.items():
        allowed_names(f"variant of {source}", (variant,), tuple(VARIANTS[source]))
    allowed_names("speed mode", () if mode is None else (mode,), tuple(MODES))
    if isinstance(steering, str):
        allowed_names("style of steering", (steering,), tuple(STEERING))
    else:
        allowed_names("steering phase", (span[0] for span in steering or ()), PHASES)
    allowed_names("codec", () if codec is None else (codec,), tuple(CODECS))
    allowed_names("disturbance", disturbances or (), DISTURBANCES)
