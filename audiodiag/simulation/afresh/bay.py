"""The bay made afresh, put together: from a seed to a clip and the truth about it.

A third simulation by laws of its own, so that what is learnt from two can be judged on a third, and so
that what holds in all of them is learnt. Many of its clips are plain: a phone held over the open bay, a
symptom that is heard well. Its clips are simulated: they are no recordings, and a good score on them is
no proof of a good score on cars.

Ranges of levels, speeds and shares are common practice or assumptions without a published source, unless
one is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from audiodiag.errors import UsageError
from audiodiag.records import PHASES, SYMPTOMS, FloatArray
from audiodiag.simulation.codecs import is_quick, through_codec
from audiodiag.simulation.settings import SimulatedClip, allowed_names, generator_for

from .around import AROUND, make_around
from .bearing_valve import GROWLS, HISSES, make_growl, make_hiss
from .belt import CHIRPS, SQUEALS, make_chirp, make_squeal, slip_spans
from .motor import MOTORS, make_motor
from .phone import CODECS, DONE, HELD, carried, draw_format, draw_way, taken
from .pump import GROANS, WHINES, Heard, belted, make_groan, make_whine
from .running import HANDS, MODES, Hands, move_hands, run_engine
from .tools import even, evenly, log_even, named

__all__ = ["DISTURBANCES", "LEVELS_DB", "VARIANTS", "Fixed", "Scene", "make_scene", "simulate_afresh"]

VARIANTS: dict[str, dict[str, float]] = {
    "engine": MOTORS,
    "pump_whine": WHINES,
    "cavitation_groan": GROANS,
    "belt_squeal": SQUEALS,
    "belt_chirp": CHIRPS,
    "relief_hiss": HISSES,
    "bearing_growl": GROWLS,
}
"""Structural variants of each source, with their weights."""
LEVELS_DB: tuple[tuple[float, tuple[float, float]], ...] = (
    (0.5, (-8.0, 6.0)),
    (0.32, (-14.0, -4.0)),
    (0.18, (-22.0, -12.0)),
)
"""How often a symptom is loud, middling or faint: its power over its active time in dB re the engine's
over the clip."""
_BRIGHT_DB = {"belt_squeal": -4.0, "belt_chirp": -4.0, "relief_hiss": -6.0}
"""What is heard above the engine's own lines is planted lower: it is as well heard."""
HEALTHY_PUMP = ("healthy_pump", 0.2, (-36.0, -17.0))
"""A pump in good order is heard faintly too: its name, how often where it does not whine, its level."""
DISTURBANCES: tuple[str, ...] = (*AROUND, HEALTHY_PUMP[0], "room", HELD[0], *DONE)
"""Parts that are no symptom, surroundings, and what room and phone do."""
_LAST = ("rubber", "belt_part")
"""Drawn last, so that all that was drawn before it was made stays."""
_NONE, _HARD = 0.25, 0.25
_HOW_MANY = {"1": 0.6, "2": 0.3, "3": 0.1}
_CYLINDERS = {"3": 0.16, "4": 0.52, "5": 0.06, "6": 0.17, "8": 0.09}
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

    ``steering`` is a style of ``running.HANDS`` or (phase, start, end) spans from 0 to the end;
    ``disturbances`` are out of ``DISTURBANCES``.
    """

    symptoms: tuple[str, ...] | None
    levels_db: Mapping[str, float] | None
    variants: Mapping[str, str] | None
    mode: str | None
    steering: str | Hands | None
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


def simulate_afresh(seed: int, **fixed: Unpack[Fixed]) -> SimulatedClip:
    """Make one clip from its seed; what is not fixed is drawn.

    The samples are decoded and aligned to the truth's times; ``parts`` holds "engine" and each
    symptom after room and microphone, before gain control and codec. Raises UsageError for names and
    values that are not allowed.

    >>> clip = simulate_afresh(3, duration_s=4.0, codec="wav", symptoms=("pump_whine",))
    >>> clip.truth["symptoms"], len(clip.samples) == 4 * clip.sample_rate_hz
    (['pump_whine'], True)
    """
    scene = make_scene(seed, **fixed)
    truth = scene.truth
    samples = through_codec(
        scene.samples, scene.rate, truth["codec"], truth["bit_rate"], quick=truth["quick_encoder"]
    )
    return SimulatedClip(samples, scene.rate, truth, scene.parts)


def make_scene(seed: int, **fixed: Unpack[Fixed]) -> Scene:
    """Make a clip as the phone hands it to its encoder; arguments as of ``simulate_afresh``."""
    _check(seed, fixed)
    given: Any = fixed.get
    levels_db, variants = dict(given("levels_db") or {}), dict(given("variants") or {})

    rng = generator_for(seed, "afresh recording")
    hard = bool(rng.random() < _HARD)
    codec, rate, bit_rate, top_hz = draw_format(
        rng, given("codec"), given("sample_rate_hz"), given("bit_rate"), hard
    )
    drawn_s = round(log_even(rng, 6, 22), 1)
    seconds = float(given("duration_s") or drawn_s)
    n = round(seconds * rate)

    rng = generator_for(seed, "afresh symptoms")
    drawn = _drawn_symptoms(rng)
    symptoms = given("symptoms")
    heard = drawn if symptoms is None else tuple(name for name in SYMPTOMS if name in symptoms)
    chosen = {name: variants.get(name, named(rng, table)) for name, table in VARIANTS.items()}
    levels = {name: levels_db.get(name, _drawn_level(rng, name)) for name in SYMPTOMS}

    rng = generator_for(seed, "afresh driving")
    mode = _kept(given("mode"), named(rng, MODES))
    idle = float(_kept(given("idle_rpm"), log_even(rng, 560, 1020)))
    style = named(rng, HANDS)
    if "relief_hiss" in heard and style not in {"both_stops", "one_stop"}:
        style = "one_stop" if rng.random() < 0.5 else "both_stops"
    steering = given("steering")
    if steering is None or isinstance(steering, str):
        hands = move_hands(rng, steering or style, seconds)
    else:
        hands = _checked_spans(steering, seconds)
    run = run_engine(rng, mode, idle, hands, n, rate)
    if "relief_hiss" in heard and not run.held():
        if symptoms is not None:
            raise UsageError(
                "relief_hiss needs a wheel that is held at a stop",
                got=f"steering without a stop of 0.35 s within {seconds:g} s",
                allowed="steering with a stop",
                todo="leave the steering or its spans open, make the clip longer, or leave the hiss out",
            )
        heard = tuple(name for name in heard if name != "relief_hiss")

    rng = generator_for(seed, "afresh car")
    cylinders = int(_kept(given("cylinders"), int(named(rng, _CYLINDERS))))
    slips = slip_spans(rng, run) if "belt_squeal" in heard else []
    pump, slip = belted(
        rng, run, slips, ratio=given("pulley_ratio"), vanes=given("vanes"), belt_order=given("belt_order")
    )
    motor = make_motor(generator_for(seed, "afresh engine"), run, cylinders, chosen["engine"])
    made: dict[str, Heard] = {}
    for name in heard:
        rng, variant = generator_for(seed, f"afresh {name}"), chosen[name]
        if name == "pump_whine":
            made[name] = make_whine(rng, run, pump, variant)
        elif name == "cavitation_groan":
            made[name] = make_groan(rng, run, pump, variant)
        elif name == "belt_squeal":
            made[name] = make_squeal(rng, run, pump, variant, slips, top_hz)
        elif name == "belt_chirp":
            made[name] = make_chirp(rng, run, pump, variant, top_hz)
        elif name == "relief_hiss":
            made[name] = make_hiss(rng, run, pump, variant, top_hz)
        else:
            made[name] = make_growl(rng, run, pump, variant, top_hz)

    way = draw_way(
        generator_for(seed, "afresh phone"),
        rate,
        hard,
        None if given("disturbances") is None else "room" in (given("disturbances") or ()),
    )
    present = _drawn_disturbances(generator_for(seed, "afresh disturbances"), heard, way.room, hard)
    if generator_for(seed, "afresh holding").random() < HELD[1]:
        present = (*present, HELD[0])
    if (asked := given("disturbances")) is not None:
        present = tuple(asked)
    parts = {"engine": evenly(way.reaches(motor))}
    for name, part in made.items():
        at_phone = evenly(way.reaches(part.sound), _inside(part.spans_s, n, rate))
        parts[name] = at_phone * np.float32(10 ** (levels[name] / 20))
    extra = np.zeros(n, np.float32)
    for name in (name for name in AROUND if name in present):
        rng = generator_for(seed, f"afresh {name}")
        low, high = AROUND[name][2]
        gain = 10 ** ((even(rng, low, high) - (0.0 if hard else 3.0)) / 20)
        sound = make_around(name, rng, run, cylinders)
        extra += np.float32(gain) * sound
        if not sound.any():  # the wheel is never turned
            present = tuple(each for each in present if each != name)
    if HEALTHY_PUMP[0] in present:
        rng = generator_for(seed, f"afresh {HEALTHY_PUMP[0]}")
        gain = 10 ** (even(rng, *HEALTHY_PUMP[2]) / 20)
        extra += np.float32(gain) * evenly(make_whine(rng, run, pump, named(rng, WHINES)).sound)
    whole = np.sum(list(parts.values()), axis=0, dtype=np.float32) + way.reaches(extra)
    if HELD[0] in present:
        whole = carried(generator_for(seed, "afresh hand"), whole, rate)
    samples = taken(generator_for(seed, "afresh gain"), whole, rate, present, hard)

    told = {key: value for part in made.values() for key, value in part.told.items()}
    tenths = np.arange(int(seconds * 10 + 1e-6) + 1) / 10
    truth: dict[str, Any] = {
        "kind": "engine_bay",
        "simulation": "afresh",
        "seed": int(seed),
        "hard": hard,
        "cylinders": cylinders,
        "pulley_ratio": pump.ratio,
        "vanes": pump.vanes,
        "belt_order": pump.belt_order,
        "mode": mode,
        "idle_rpm": round(idle, 1),
        "symptoms": list(heard),
        "level_db_re_engine": {name: levels[name] for name in heard},
        "spans_s": {
            name: [[round(a, 3), round(b, 3)] for a, b in part.spans_s] for name, part in made.items()
        },
        "steering": [list(span) for span in hands],
        "time_s": tenths.tolist(),
        "rpm": np.round(np.interp(tenths, np.arange(n) / rate, run.rpm), 2).tolist(),
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


def _inside(spans: list[tuple[float, float]], n: int, rate: int) -> NDArray[np.bool_]:
    inside = np.zeros(n, bool)
    for start, end in spans:
        inside[int(start * rate) : int(np.ceil(end * rate))] = True
    return inside


def _drawn_symptoms(rng: np.random.Generator) -> tuple[str, ...]:
    """None in a quarter of the clips, else one to three, each as likely as the next."""
    number = 0 if rng.random() < _NONE else int(named(rng, _HOW_MANY))
    among = set(rng.permutation(len(SYMPTOMS))[:number].tolist())
    return tuple(name for k, name in enumerate(SYMPTOMS) if k in among)


def _drawn_level(rng: np.random.Generator, name: str) -> float:
    at = float(rng.random())
    low, high = LEVELS_DB[-1][1]
    for share, those in LEVELS_DB:
        if 0 <= at < share:
            low, high = those
        at -= share
    return round(max(even(rng, low, high) + _BRIGHT_DB.get(name, 0.0), -24.0), 2)


def _drawn_disturbances(
    rng: np.random.Generator, heard: tuple[str, ...], room: bool, hard: bool
) -> tuple[str, ...]:
    drawn = []
    chances = {
        name: chance * (1.0 if of_car else 1.5 if hard else 0.5)
        for name, (_, chance, _, of_car) in AROUND.items()
    }
    last = {name: chances.pop(name) for name in _LAST}
    drawn += [name for name, chance in chances.items() if rng.random() < chance]
    if rng.random() < HEALTHY_PUMP[1] and "pump_whine" not in heard:
        drawn.append(HEALTHY_PUMP[0])
    drawn += [name for name, often in DONE.items() if rng.random() < often[hard]]
    drawn += [name for name, chance in last.items() if rng.random() < chance]
    return (*drawn, *(("room",) if room else ()))


def _checked_spans(steering: Hands, seconds: float) -> Hands:
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


def _check(seed: int, fixed: Fixed) -> None:
    ranges: dict[str, tuple[Any, float, float]] = {
        "seed": (seed, 0, 2**63),
        "duration_s": (fixed.get("duration_s"), _SHORTEST_S, _LONGEST_S),
        "sample_rate_hz": (fixed.get("sample_rate_hz"), 16000, 96000),
        "cylinders": (fixed.get("cylinders"), 2, 12),
        "idle_rpm": (fixed.get("idle_rpm"), 500, 1500),
        "pulley_ratio": (fixed.get("pulley_ratio"), 0.5, 2.5),
        "vanes": (fixed.get("vanes"), 6, 14),
        "belt_order": (fixed.get("belt_order"), 0.1, 1.0),
        **{f"level of {name}": (level, -60, 40) for name, level in (fixed.get("levels_db") or {}).items()},
    }
    for said, (value, least, most) in ranges.items():
        if value is not None and not least <= value <= most:
            raise UsageError(
                f"{said} is out of range for a clip of the bay made afresh",
                got=repr(value),
                allowed=f"{least:g} to {most:g}",
                todo="give a value in this range",
            )
    allowed_names("symptom", fixed.get("symptoms") or (), SYMPTOMS)
    allowed_names("symptom level", fixed.get("levels_db") or (), SYMPTOMS)
    variants = fixed.get("variants") or {}
    allowed_names("source", variants, tuple(VARIANTS))
    for source, variant in variants.items():
        allowed_names(f"variant of {source}", (variant,), tuple(VARIANTS[source]))
    mode, steering, codec = fixed.get("mode"), fixed.get("steering"), fixed.get("codec")
    allowed_names("speed mode", () if mode is None else (mode,), tuple(MODES))
    if isinstance(steering, str):
        allowed_names("style of steering", (steering,), tuple(HANDS))
    else:
        allowed_names("steering phase", (span[0] for span in steering or ()), PHASES)
    allowed_names("codec", () if codec is None else (codec,), tuple(CODECS))
    allowed_names("disturbance", fixed.get("disturbances") or (), DISTURBANCES)
