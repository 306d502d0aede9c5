"""The training table from seeds: simulate a clip, write and read it as a phone file, measure it.

A simulated clip goes the way of a real one: it is encoded into a file, read back by the clip room, judged,
its speed found by ear, measured. Every row is a function of its seed alone, whatever the number of processes,
and rows stand in the order of their seeds.
"""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

import audiodiag
from audiodiag.classifier.fitting import one_thread
from audiodiag.classifier.table import PASSED_ON, Row
from audiodiag.classifier.workers import mapped
from audiodiag.records import SYMPTOMS, Clip, FloatArray, Phases, SpeedTrace
from audiodiag.resources import shipped_folder
from audiodiag.vehicle import Vehicle

__all__ = [
    "AUDIBLE_DB",
    "Recipe",
    "gain_moved",
    "measure_clip",
    "others",
    "passed_on",
    "plan",
    "row_from_truth",
    "rows_from_recipes",
    "simulated_row",
    "speed_is_right",
]

AUDIBLE_DB = -12.0
"""Level against the engine from which a planted symptom counts as audible: assumed, no published source."""

OTHER_SHARE = 0.12
"""Share of simulated clips that are no engine bay at all."""

SHORT_SHARE = 0.75
"""Share of simulated clips cut to the length of clips from strangers, 5 to 14 s; the others last as drawn."""

BAYS = ("apart", "afresh", "first")
"""Simulations of engine bays, each written on its own; each makes as many of the clips as the next.

In this order ``plan`` lays them along one random number, so that two thirds of the clips that two simulations
shared by halves stay with theirs.
"""

OTHERS_FOR_ONE = 1 / 5
"""Clips that are no engine bay and teach only that, for each clip of the plan."""

OTHERS_SEED, ROTORS_SEED = 500_000, 700_000
"""First seeds of those clips within the million of a training's seeds."""

ROTORS_FOR_ONE = 1 / 10
"""Helicopters besides, for each clip of the plan: a rotor is followed as an engine, its comb is as steady."""

PASSED_ON_HZ = (16000, 22050, 32000)
"""Rates to which programs that pass sound on bring it: common practice, no published source."""

GAIN_MOVES = 0.5
"""In this share of the clips passed on at a lower rate the gain moves."""

CODED_AGAIN = (("m4a", 64_000), ("m4a", 48_000), ("opus", 32_000), ("mp3", 64_000))
"""How programs that pass sound on code it once more, codec and bits a second: common practice, no published
source."""

CODED_FROM_HZ, FRAME = 16000, 2048
"""A clip recorded at a lower rate is not coded again. A new coding begins anywhere within so many samples."""

LOWER_BY = 1.3
"""A rate is lower, and its clip worth learning from again, where the recorded one is more than so many times
as high."""

WRONG_BY, WRONG_FOR = 0.05, 0.1
"""A speed is wrong that is further off than the one for more than the other share of the time."""

_ROOMS = ("signal", "clip", "speed", "orders", "steering", "symptoms", "simulation")


@dataclass(frozen=True)
class Recipe:
    """What one simulated row is made from: nothing else enters.

    duration_s: None as the seed draws it. cylinders_told: whether the car's cylinders are given to the speed.
    bay: which of ``BAYS`` makes a clip of an engine bay. only_strange: whether it teaches what is no engine
    bay and nothing of symptoms, so that their shares among the clips stay. kind: what it is of
    ``simulation.elsewhere.ELSEWHERE``, None as the seed draws it. passed_on_hz: the rate to which it is
    brought after it was recorded, None as it was. coded_again: whether it is coded once more instead.
    """

    seed: int
    engine: bool
    cylinders_told: bool
    duration_s: float | None
    bay: str = "first"
    only_strange: bool = False
    kind: str | None = None
    passed_on_hz: int | None = None
    coded_again: bool = False


def plan(count: int, *, seed: int = 0) -> tuple[Recipe, ...]:
    """Lay down what ``count`` rows are made from; a longer plan starts with the shorter one.

    >>> plan(3, seed=5) == plan(10, seed=5)[:3]
    True
    """
    recipes = []
    for number in range(count):
        own = seed * 1_000_000 + number
        rng = np.random.default_rng([own, 13])
        engine = bool(rng.random() >= OTHER_SHARE)
        short = bool(rng.random() < SHORT_SHARE)
        duration = round(float(rng.uniform(5.0, 14.0)), 1)
        told, bay = bool(rng.random() < 0.5), BAYS[int(rng.random() * len(BAYS))]
        recipes.append(Recipe(own, engine, told, duration if short else None, bay if engine else "first"))
    return tuple(recipes)


def others(count: int, *, seed: int = 0) -> tuple[Recipe, ...]:
    """Lay down the clips that teach what is no engine bay, beside a plan of ``count`` clips.

    >>> len(others(100)), others(100)[:3] == others(30)[:3], others(100)[-1].kind
    (30, True, 'rotor')
    """
    drawn, rotors = round(count * OTHERS_FOR_ONE), round(count * ROTORS_FOR_ONE)
    recipes = []
    for first, many, kind in ((OTHERS_SEED, drawn, None), (ROTORS_SEED, rotors, "rotor")):
        for number in range(many):
            own = seed * 1_000_000 + first + number
            duration = round(float(np.random.default_rng([own, 13]).uniform(5.0, 9.0)), 1)
            recipes.append(Recipe(own, False, False, duration, only_strange=True, kind=kind))
    return tuple(recipes)


def passed_on(recipes: Sequence[Recipe]) -> tuple[Recipe, ...]:
    """Lay down clips once more as programs pass them on: even seeds at a lower rate, every sixth coded again.

    Those that were recorded at hardly more than the new rate give no row; in half of them the gain moves as
    well (``gain_moved``). What is known of a clip is known of its copy, also where a sound lay above what the
    copy holds.

    A measure that changes then, or is missing, for what is not recorded and not for what sounds, is worth
    less than one that stays.

    >>> again = passed_on(plan(5))
    >>> [(recipe.seed, recipe.passed_on_hz in PASSED_ON_HZ, recipe.coded_again) for recipe in again]
    [(0, True, False), (2, True, False), (3, False, True), (4, True, False)]
    """
    again = []
    for recipe in recipes:
        if recipe.seed % 2 == 0:
            rate_hz = PASSED_ON_HZ[int(np.random.default_rng([recipe.seed, 14]).integers(len(PASSED_ON_HZ)))]
            again.append(replace(recipe, passed_on_hz=rate_hz))
        elif recipe.seed % 6 == 3:
            again.append(replace(recipe, coded_again=True))
    return tuple(again)


def gain_moved(samples: FloatArray, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Let the gain wander and jump as automatic controls do, shape (n,); the loudest sample is 1 at most.

    It wanders by up to some 3 dB within seconds and jumps up to once in two seconds to anywhere within 6 dB
    of the middle, in 0.02 to 0.5 s: assumptions, no published source.

    >>> still = np.ones(4000)
    >>> moved = 20 * np.log10(gain_moved(still, 400, np.random.default_rng(3)))
    >>> moved.shape, bool(np.ptp(moved) > 2.0), bool(moved.max() < 1e-6)
    ((4000,), True, True)
    """
    count = len(samples)
    steps = max(int(20 * count / rate_hz), 2)
    time = np.linspace(0.0, 1.0, steps)
    wanders = gaussian_filter1d(rng.standard_normal(steps + 400), 20 * rng.uniform(0.4, 2.0))[200:-200]
    wanders *= rng.uniform(0.0, 3.0) / max(float(np.std(wanders)), 1e-9)
    jumps = np.sort(rng.random(rng.poisson(rng.uniform(0.05, 0.5) * count / rate_hz)))
    levels = rng.uniform(-6.0, 6.0, len(jumps) + 1)
    stepped = gaussian_filter1d(levels[np.searchsorted(jumps, time)], 20 * rng.uniform(0.02, 0.5))
    gain_db = np.interp(np.arange(count) / max(count - 1, 1), time, wanders + stepped)
    moved = samples * 10.0 ** (gain_db / 20.0)
    return np.asarray(moved / max(float(np.abs(moved).max()), 1.0), samples.dtype)


def measure_clip(
    clip: Clip,
    vehicle: Vehicle | None = None,
    phases: Phases | None = None,
    *,
    speed_model: Path | None = None,
) -> dict[str, float]:
    """Give all measurements of a clip by the steps of the analysis: quality, speed by ear, symptoms.

    speed_model: file of the speed room's weights, the shipped one without.
    """
    return _heard(clip, vehicle, phases, speed_model=speed_model)[0]


def _heard(
    clip: Clip, vehicle: Vehicle | None, phases: Phases | None = None, *, speed_model: Path | None = None
) -> tuple[dict[str, float], SpeedTrace]:
    """Give all measurements of a clip, and the engine speed at which they were taken."""
    from audiodiag.clip import assess_quality, bridged
    from audiodiag.speed.acoustic import no_speed, speed_by_ear
    from audiodiag.speed.comb import load_comb_weights
    from audiodiag.symptoms import measure_all

    quality = assess_quality(clip)
    clip = bridged(clip, quality)
    if quality.usable:
        speed = speed_by_ear(clip, vehicle=vehicle, weights=load_comb_weights(speed_model))
    else:
        speed = no_speed(clip.duration_s, "The recording is not good enough to hear an engine speed.")
    return dict(measure_all(clip, quality, speed, phases, vehicle).values), speed


def speed_is_right(speed: SpeedTrace, truth: dict[str, Any]) -> bool:
    """Tell whether an engine speed by ear follows the true one: under a tenth of it more than 5 % off.

    truth: ``time_s`` and ``rpm`` of a simulated clip. No speed at all is not right.

    >>> time_s = np.array([0.0, 1.0])
    >>> heard = SpeedTrace("acoustic", 0.9, time_s, np.array([760.0, 755.0]), time_s, time_s, time_s)
    >>> speed_is_right(heard, {"time_s": [0.0, 1.0], "rpm": [750.0, 750.0]})
    True
    """
    known = np.isfinite(speed.rpm)
    if not known.any():
        return False
    true_rpm = np.interp(speed.time_s[known], truth["time_s"], truth["rpm"])
    return bool(np.mean(np.abs(speed.rpm[known] / true_rpm - 1.0) > WRONG_BY) < WRONG_FOR)


def simulated_row(recipe: Recipe, *, speed_model: Path | None = None) -> Row | None:
    """Simulate, write, read back and measure the clip of one recipe.

    None where a clip that is to be passed on at a rate was recorded at hardly more than that, and where one
    that is to be coded again was recorded below ``CODED_FROM_HZ``.
    """
    import soundfile

    from audiodiag.clip import read_clip
    from audiodiag.simulation import BaySettings, simulate_not_engine, write_clip
    from audiodiag.simulation.afresh import write_clip as write_afresh
    from audiodiag.simulation.apart import write_clip as write_apart
    from audiodiag.simulation.codecs import encode, resample

    with one_thread(), tempfile.TemporaryDirectory(prefix="audiodiag-") as folder:
        if recipe.engine:
            if recipe.bay == "apart":
                path = write_apart(Path(folder), recipe.seed, duration_s=recipe.duration_s)
            elif recipe.bay == "afresh":
                path = write_afresh(Path(folder), recipe.seed, duration_s=recipe.duration_s)
            else:
                path = write_clip(folder, recipe.seed, BaySettings(duration_s=recipe.duration_s))
            truth = json.loads(path.with_suffix("").with_suffix(".truth.json").read_text(encoding="utf-8"))
        else:
            other = simulate_not_engine(recipe.seed, kind=recipe.kind, duration_s=recipe.duration_s)
            path, truth = Path(folder) / "other.wav", other.truth
            soundfile.write(path, other.samples, other.sample_rate_hz, subtype="PCM_16")
        clip = read_clip(path)
        name, traits = f"simulated {recipe.seed}", {}
        if (rate_hz := recipe.passed_on_hz) is not None:
            if clip.sample_rate_hz <= LOWER_BY * rate_hz:
                return None
            path = Path(folder) / "passed_on.wav"
            samples = resample(clip.samples, clip.sample_rate_hz, rate_hz)
            rng = np.random.default_rng([recipe.seed, 15])
            if rng.random() < GAIN_MOVES:
                samples = gain_moved(samples, rate_hz, rng)
            soundfile.write(path, samples, rate_hz, subtype="PCM_16")
            clip, name, traits = read_clip(path), f"{name} at {rate_hz} Hz", {PASSED_ON: f"{rate_hz} Hz"}
        elif recipe.coded_again:
            if clip.sample_rate_hz < CODED_FROM_HZ:
                return None
            rng = np.random.default_rng([recipe.seed, 16])
            codec, bit_rate = CODED_AGAIN[int(rng.integers(len(CODED_AGAIN)))]
            path = Path(folder) / f"coded_again.{codec}"
            encode(clip.samples[int(rng.integers(FRAME)) :], clip.sample_rate_hz, path, codec, bit_rate)
            clip, name, traits = read_clip(path), f"{name} coded again", {PASSED_ON: "coded again"}
        vehicle = Vehicle(cylinders=truth["cylinders"]) if recipe.engine and recipe.cylinders_told else None
        measurements, speed = _heard(clip, vehicle, speed_model=speed_model)
    traits["cylinders"] = "told" if vehicle else "unknown"
    if recipe.engine:
        traits["bay"] = recipe.bay
    row = row_from_truth(truth, measurements, name=name, group=recipe.seed, traits=traits)
    if recipe.engine:
        row = replace(row, speed_right=speed_is_right(speed, truth))
    return replace(row, present=dict.fromkeys(SYMPTOMS)) if recipe.only_strange else row


def row_from_truth(
    truth: dict[str, Any],
    measurements: dict[str, float],
    *,
    name: str,
    group: int,
    traits: dict[str, str] | None = None,
) -> Row:
    """Lay the truth of a simulated clip beside its measurements.

    >>> truth = {"kind": "engine_bay", "symptoms": ["pump_whine"], "level_db_re_engine": {"pump_whine": -3.0},
    ...          "variants": {"engine": "diesel", "pump_whine": "ripple"}, "mode": "idle", "codec": "wav"}
    >>> row = row_from_truth(truth, {}, name="simulated 1", group=1)
    >>> row.present["pump_whine"], row.present["belt_chirp"], row.audible
    (True, False, ('pump_whine',))
    """
    engine = truth["kind"] == "engine_bay"
    heard = tuple(truth.get("symptoms", ()))
    levels = {each: float(level) for each, level in truth.get("level_db_re_engine", {}).items()}
    kind = str(truth.get("mode", "")) if engine else str(truth.get("sounds", ["other"])[0])
    known = {"source": "simulated", "codec": str(truth.get("codec", "")), "mode": kind}
    if engine:
        known["hard"] = "hard" if truth.get("hard") else "easy"
    # The simulations name their variants each for itself.
    bay = f"{truth['simulation']} " if "simulation" in truth else ""
    variants = {str(source): f"{bay}{variant}" for source, variant in truth.get("variants", {}).items()}
    return Row(
        name=name,
        group=group,
        measurements=measurements,
        present={symptom: symptom in heard for symptom in SYMPTOMS},
        audible=tuple(each for each in heard if levels.get(each, 0.0) >= AUDIBLE_DB),
        level_db=levels,
        variant=variants if engine else {"elsewhere": kind},
        engine=engine,
        traits=known | (traits or {}),
    )


def rows_from_recipes(
    recipes: Sequence[Recipe],
    *,
    workers: int = 1,
    keep_in: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
    make: Callable[[Recipe], Row | None] = simulated_row,
) -> list[Row]:
    """Make the rows of all recipes in their order, but those of which there is none.

    workers: processes, each on one thread. keep_in: a folder where rows are kept and found again as long as
    the code that makes them is unchanged. progress: told how many of how many are done.
    """
    kept = {recipe: _kept_row(keep_in, recipe) for recipe in recipes} if keep_in else {}
    todo = [recipe for recipe in recipes if kept.get(recipe) is None]
    done = len(recipes) - len(todo)
    made: dict[Recipe, Row | None] = {recipe: row for recipe, row in kept.items() if row is not None}
    with mapped(make, todo, workers=workers) as rows:
        for recipe, row in zip(todo, rows, strict=True):
            made[recipe] = row
            done += 1
            if keep_in is not None and row is not None:
                _keep_row(keep_in, recipe, row)
            if progress is not None:
                progress(done, len(recipes))
    return [row for recipe in recipes if (row := made[recipe]) is not None]


@cache
def _code_fingerprint() -> str:
    """Give a short hash of the code that makes rows: a kept row is no good once that code has changed."""
    package = Path(audiodiag.__file__).parent
    found = sorted(path for room in _ROOMS for path in (package / room).rglob("*") if path.is_file())
    digest = hashlib.sha256()
    weights = shipped_folder("models") / "speed.json"
    for path in [*found, Path(__file__), *([weights] if weights.is_file() else [])]:
        if path.suffix != ".pyc":
            digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def _kept_place(folder: Path, recipe: Recipe) -> Path:
    """Name the file of a kept row."""
    what = hashlib.sha256(repr(recipe).encode()).hexdigest()[:8]
    return folder / f"row-{recipe.seed}-{what}-{_code_fingerprint()}.json"


def _kept_row(folder: Path, recipe: Recipe) -> Row | None:
    """Read a kept row, None where there is none or it is broken."""
    try:
        plain = json.loads(_kept_place(folder, recipe).read_text(encoding="utf-8"))
        plain["measurements"] = {
            name: math.nan if value is None else value for name, value in plain["measurements"].items()
        }
        return Row(**plain | {"audible": tuple(plain["audible"])})
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def _keep_row(folder: Path, recipe: Recipe, row: Row) -> None:
    """Keep a row for the next time."""
    plain = asdict(row)
    plain["measurements"] = {
        name: value if math.isfinite(value) else None for name, value in row.measurements.items()
    }
    folder.mkdir(parents=True, exist_ok=True)
    place = _kept_place(folder, recipe)
    part = place.with_suffix(".part")
    part.write_text(json.dumps(plain, allow_nan=False), encoding="utf-8")
    part.replace(place)
