"""Make the demo recordings again: ``python -m audiodiag.simulation.demo FOLDER``.

One invented car throughout: the blue estate, an invented Quillmere, and what its owner recorded.
Every clip is simulated and says so in its title, in its truth file and in the folder's README.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from audiodiag.errors import UsageError

from .bay import write_clip
from .settings import BaySettings

__all__ = ["DEMO_CLIPS", "DemoClip", "main", "make_demo"]

CRANK_PULLEY_MM, PUMP_PULLEY_MM, BELT_LENGTH_MM = 150.0, 130.0, 1480.0
CAR_SEED = 4113

_LOCK_TO_LOCK = (
    ("centre", 0.0, 2.5),
    ("turning", 2.5, 4.5),
    ("stop", 4.5, 6.5),
    ("turning", 6.5, 9.5),
    ("stop", 9.5, 11.5),
    ("turning", 11.5, 13.0),
    ("centre", 13.0, 14.0),
)
_SAWING = (
    ("centre", 0.0, 2.0),
    ("turning", 2.0, 6.0),
    ("stop", 6.0, 7.0),
    ("turning", 7.0, 10.5),
    ("centre", 10.5, 12.0),
)
_AT_REST = (("centre", 0.0, 12.0),)

_THE_CAR = BaySettings(
    symptoms=(),
    cylinders=4,
    pulley_ratio=CRANK_PULLEY_MM / PUMP_PULLEY_MM,
    vanes=10,
    belt_order=math.pi * CRANK_PULLEY_MM / BELT_LENGTH_MM,
    mode="idle",
    idle_rpm=790.0,
    car_seed=CAR_SEED,
    phone_seed=11,
    quick_encoder=False,
    accessories=("alternator",),
    disturbances=(),
    variants={
        "engine": "pulses",
        "pump_whine": "ripple",
        "cavitation_groan": "wide",
        "belt_squeal": "smooth",
        "belt_chirp": "noisy",
        "relief_hiss": "flat",
        "bearing_growl": "impacts",
    },
)


@dataclass(frozen=True)
class DemoClip:
    """One recording of the story. ``levels_db``: planted symptoms; ``csv``: write its phases beside it."""

    name: str
    story: str
    codec: str
    bit_rate: int
    rate_hz: int
    phases: tuple[tuple[str, float, float], ...]
    levels_db: dict[str, float]
    seed: int
    mode: str = "idle"
    idle_rpm: float = 790.0
    disturbances: tuple[str, ...] = ()
    surroundings_db: float = -16.0
    csv: bool = False

    def settings(self) -> BaySettings:
        """Give what is fixed of the simulation."""
        return replace(
            _THE_CAR,
            symptoms=tuple(self.levels_db),
            levels_db=self.levels_db,
            codec=self.codec,
            bit_rate=self.bit_rate,
            sample_rate_hz=self.rate_hz,
            phases=self.phases,
            duration_s=self.phases[-1][2],
            mode=self.mode,
            idle_rpm=self.idle_rpm,
            disturbances=self.disturbances,
            surroundings_db=self.surroundings_db,
        )


DEMO_CLIPS: tuple[DemoClip, ...] = (
    DemoClip(
        "01_healthy",
        "autumn, all in order: lock to lock at idle",
        "m4a",
        64_000,
        44_100,
        _LOCK_TO_LOCK,
        {},
        101,
        csv=True,
    ),
    DemoClip(
        "02_healthy_blips",
        "in order: a few blips of the throttle, wheel at rest",
        "mp3",
        96_000,
        44_100,
        _AT_REST,
        {},
        28,
        mode="blips",
    ),
    DemoClip(
        "03_pump_whine",
        "the pump sings under load",
        "m4a",
        64_000,
        44_100,
        _LOCK_TO_LOCK,
        {"pump_whine": 0.0},
        103,
    ),
    DemoClip(
        "04_cavitation_groan",
        "it groans while the wheel is sawed to and fro",
        "m4a",
        96_000,
        48_000,
        _SAWING,
        {"cavitation_groan": 3.0},
        104,
    ),
    DemoClip(
        "05_belt_squeal",
        "the belt squeals as the load comes on",
        "mp3",
        96_000,
        44_100,
        _LOCK_TO_LOCK,
        {"belt_squeal": -1.0},
        105,
    ),
    DemoClip(
        "06_belt_chirp",
        "chirps once a belt pass, wheel at rest",
        "opus",
        48_000,
        48_000,
        _AT_REST,
        {"belt_chirp": 0.0},
        106,
    ),
    DemoClip(
        "07_relief_hiss",
        "only the relief valve at the stops: normal",
        "m4a",
        96_000,
        48_000,
        _LOCK_TO_LOCK,
        {"relief_hiss": 0.0},
        107,
        csv=True,
    ),
    DemoClip(
        "08_bearing_growl",
        "a worn bearing growls whatever the wheel does",
        "m4a",
        96_000,
        48_000,
        _LOCK_TO_LOCK,
        {"bearing_growl": 0.0},
        108,
    ),
    DemoClip(
        "09_before_fluid_change",
        "before: brown fluid, groan and whine",
        "m4a",
        96_000,
        48_000,
        _LOCK_TO_LOCK,
        {"pump_whine": 0.0, "cavitation_groan": 1.0},
        109,
        csv=True,
    ),
    DemoClip(
        "10_after_fluid_change",
        "after: fluid and reservoir renewed, same phone, same place",
        "m4a",
        96_000,
        48_000,
        _LOCK_TO_LOCK,
        {},
        110,
        csv=True,
    ),
    DemoClip(
        "11_groan_by_messenger",
        "the groan as a messenger passes it on",
        "opus",
        24_000,
        16_000,
        _SAWING,
        {"cavitation_groan": 2.0},
        111,
    ),
    DemoClip(
        "12_whine_old_phone",
        "the whine from an old phone's narrow-band recorder",
        "3gp",
        12_200,
        8_000,
        _LOCK_TO_LOCK,
        {"pump_whine": 2.0},
        112,
        idle_rpm=840.0,
    ),
    DemoClip(
        "13_squeal_and_chirp",
        "a loose, frayed belt at raised idle on a cold morning",
        "m4a",
        96_000,
        48_000,
        _LOCK_TO_LOCK,
        {"belt_squeal": 0.0, "belt_chirp": -1.0},
        113,
        mode="cold_idle",
        idle_rpm=1180.0,
    ),
    DemoClip(
        "14_healthy_with_chimes",
        "in order, but the dashboard chimes and someone talks",
        "m4a",
        64_000,
        44_100,
        _AT_REST,
        {},
        114,
        disturbances=("chimes", "speech"),
        surroundings_db=-8.0,
    ),
)
"""The demo recordings, in the order of the story."""


def make_demo(folder: Path | str) -> tuple[Path, ...]:
    """Write all demo clips with truth and phases, car.toml and README.md; give the sounds' paths."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    paths, rows = [], []
    for clip in DEMO_CLIPS:
        path = write_clip(target, clip.seed, clip.settings(), name=clip.name)
        truth_file = target / f"{clip.name}.truth.json"
        truth = json.loads(truth_file.read_text(encoding="utf-8"))
        missing = set(clip.levels_db) - set(truth["symptoms"])
        if missing:
            raise UsageError(
                f"a symptom does not sound in the simulated clip {clip.name}",
                got=", ".join(sorted(missing)),
                allowed="every planted symptom must sound",
                todo="choose another seed or other steering phases for this demo clip",
            )
        if clip.csv:
            lines = ["phase,start_s,end_s", *(f"{name},{a:g},{b:g}" for name, a, b in clip.phases)]
            (target / f"{clip.name}.phases.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        rows.append(_row(path, clip))
        paths.append(path)
    (target / "car.toml").write_text(_car_file(), encoding="utf-8")
    (target / "README.md").write_text(
        _README.format(rows="\n".join(rows), **_car_numbers()), encoding="utf-8"
    )
    return tuple(paths)


def _row(path: Path, clip: DemoClip) -> str:
    planted = ", ".join(f"`{name}` {level:+.0f} dB" for name, level in clip.levels_db.items()) or "none"
    table = f"`{clip.name}.phases.csv`" if clip.csv else ""
    seconds = clip.phases[-1][2]
    return f"| `{path.name}` | {clip.story} | {planted} | {seconds:.0f} s, {clip.rate_hz} Hz | {table} |"


def _car_numbers() -> dict[str, float]:
    ratio = CRANK_PULLEY_MM / PUMP_PULLEY_MM
    return {
        "crank": CRANK_PULLEY_MM,
        "pump": PUMP_PULLEY_MM,
        "belt": BELT_LENGTH_MM,
        "ratio": ratio,
        "whine_order": 10 * ratio,
        "belt_order": math.pi * CRANK_PULLEY_MM / BELT_LENGTH_MM,
        "seed": CAR_SEED,
    }


def _car_file() -> str:
    return f"""# The invented car of the simulated demo recordings. Leave out what you do not know of yours.
[car]
name = "the blue Quillmere estate (invented)"

[engine]
cylinders = 4
idle_low_rpm = 740
idle_high_rpm = 860

[crank]
pulley_mm = {CRANK_PULLEY_MM:g}

[pump]
pulley_mm = {PUMP_PULLEY_MM:g}
vanes = 10

[belt]
length_mm = {BELT_LENGTH_MM:g}
"""


_README = """# Demo recordings: all simulated

**No recording in this folder is of a real car.** Every sound here was computed by `audiodiag.simulation`;
the car, a blue Quillmere estate, is invented. The title in each file's metadata says "Simulated clip" too.

The story: the owner of the blue estate records it in autumn, hears one thing after another over the winter,
has the fluid changed and records again. `car.toml` holds what is known of the car: four cylinders, crank
pulley {crank:g} mm, pump pulley {pump:g} mm (ratio {ratio:.3f}), ten vanes (vane order {whine_order:.2f}),
belt {belt:g} mm (belt order {belt_order:.3f}).

| file | what happens | planted symptoms, level re engine | length, rate | steering phases |
|---|---|---|---|---|
{rows}

Beside each sound, `NAME.truth.json` says what was planted: symptoms, their level relative to the engine and
when they sound, the engine speed every 0.1 s, the steering phases, codec and disturbances. A phases table has
the columns phase, start_s, end_s; phases are centre, turning, stop. The levels are chosen to be clearly
heard: a real fault can be much fainter. `relief_hiss` is heard but is no fault: it ends when the wheel comes
off the stop.

Make this folder again: `python -m audiodiag.simulation.demo FOLDER` (about half a minute; car seed {seed}).

When you record your own car: brake set, wheels chocked, outdoors or with the exhaust led out; hands, sleeves,
hair and the phone's cord away from belts, fan and pulleys; never hold the wheel at a stop for more than five
seconds. The maker's instructions and local rules come first; a licensed technician knows both.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and give its exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m audiodiag.simulation.demo", description="Make the simulated demo recordings again."
    )
    parser.add_argument("folder", help="where to write them")
    for path in make_demo(parser.parse_args(arguments).folder):
        print(path)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
