"""The bay made afresh: repeatable, its truth complete and true, its sounds where their physics puts them."""

from __future__ import annotations

import ast
import json
import subprocess
import sys

import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS
from audiodiag.simulation.afresh import bay as bay_room
from audiodiag.simulation.afresh import simulate_afresh
from audiodiag.simulation.afresh.__main__ import main
from audiodiag.simulation.afresh.bay import VARIANTS, make_scene
from audiodiag.simulation.afresh.running import HANDS, MODES, move_hands, run_engine
from tests.house.house import PACKAGE, ROOT
from tests.simulation.test_apart import lag_s, line, prominence, span_mask, turns_of

PLAIN = {"codec": "wav", "sample_rate_hz": 32000, "disturbances": ()}
SIX = [(name, variant) for name in SYMPTOMS for variant in VARIANTS[name]]


def scene_of(name, variant, seed=7, **more):
    settings = {"symptoms": (name,), "variants": {name: variant}, "duration_s": 8.0, "mode": "idle"}
    return make_scene(seed, **{**PLAIN, "steering": "one_stop", **settings, **more})


def spectrum(sound, rate):
    return np.fft.rfftfreq(len(sound), 1 / rate), np.abs(np.fft.rfft(sound)) ** 2


def test_same_seed_same_clip_other_seed_other_clip():
    first, again, other = (simulate_afresh(seed, duration_s=3.0, codec="opus") for seed in (5, 5, 6))
    assert np.array_equal(first.samples, again.samples)
    assert first.truth == again.truth
    assert not np.array_equal(first.samples, other.samples)


def test_it_shares_only_settings_encoders_and_writing_with_the_other_simulations():
    ours = "audiodiag.simulation."
    files = list((PACKAGE / "simulation" / "afresh").glob("*.py"))
    assert len(files) > 8
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert node.level <= 1, path.name
                module = node.module or ""
                if module.startswith(ours) or module == ours[:-1]:
                    assert module in {f"{ours}settings", f"{ours}codecs", f"{ours}writing"}, path.name


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_truth_is_complete_and_plain(seed):
    from audiodiag.simulation.apart.bay import make_scene as make_apart

    scene = make_scene(seed, duration_s=5.0)
    truth = scene.truth
    assert make_apart(seed, duration_s=3.0, symptoms=()).truth.keys() <= truth.keys()
    assert truth["simulation"] == "afresh"
    assert json.loads(json.dumps(truth)) == truth
    assert np.allclose(np.diff(truth["time_s"]), 0.1)
    assert len(truth["time_s"]) == len(truth["rpm"]) == 51
    assert 400 < min(truth["rpm"]) <= max(truth["rpm"]) < 5300
    assert truth["spans_s"].keys() == truth["level_db_re_engine"].keys() == set(truth["symptoms"])
    assert all(0 <= a < b <= 5.0 for spans in truth["spans_s"].values() for a, b in spans)
    assert truth["steering"][0][1] == 0
    assert truth["steering"][-1][2] == 5.0
    assert len(scene.samples) == round(5.0 * scene.rate)
    assert np.all(np.isfinite(scene.samples))
    assert 0.05 < np.abs(scene.samples).max() <= 1


def test_a_quarter_of_the_clips_holds_no_symptom_and_no_clip_more_than_three():
    rng = np.random.default_rng(0)
    drawn = [bay_room._drawn_symptoms(rng) for _ in range(2000)]
    assert 0.21 < np.mean([not heard for heard in drawn]) < 0.29
    assert max(map(len, drawn)) == 3
    for name in SYMPTOMS:
        assert 0.15 < np.mean([name in heard for heard in drawn]) < 0.23, name
    levels = np.array([bay_room._drawn_level(rng, "pump_whine") for _ in range(2000)])
    assert -22 <= levels.min() < -18
    assert 4 < levels.max() <= 6
    assert 0.35 < np.mean(levels > -6) < 0.6


@pytest.mark.parametrize(("name", "variant"), SIX)
def test_level_is_power_over_its_active_time_re_engine(name, variant):
    scene = scene_of(name, variant, levels_db={name: -7.0}, duration_s=6.0)
    part, engine = scene.parts[name], scene.parts["engine"]
    active = span_mask(scene, scene.truth["spans_s"][name])
    level = 10 * np.log10(np.mean(part[active] ** 2.0) / np.mean(engine**2.0))
    assert level == pytest.approx(-7.0, abs=0.5)
    assert np.sum(part[~active] ** 2.0) < 0.35 * np.sum(part**2.0)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("style", HANDS)
def test_the_engine_keeps_its_speed_and_neither_stalls_nor_runs_away(mode, style):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        run = run_engine(rng, mode, 800.0, move_hands(rng, style, 12.0), 12 * 16000, 16000)
        rpm = run.rpm[::400]
        assert rpm.min() > 0.7 * 800
        assert rpm.max() < 5300
        assert run.turns[-1] == pytest.approx(run.rpm.mean() / 60 * 12, rel=1e-3)
        if mode == "idle":
            assert np.median(rpm) == pytest.approx(800, rel=0.08)
        if mode == "blips":
            assert rpm.max() > 1.2 * 800
        if mode == "raised":
            assert np.ptp(rpm) < 0.2 * np.median(rpm)


def test_the_pump_pulls_the_idle_down_for_a_while():
    fell = []
    for seed in range(12):
        truth = make_scene(
            seed,
            **PLAIN,
            symptoms=(),
            mode="idle",
            duration_s=10.0,
            steering=(("centre", 0.0, 5.0), ("turning", 5.0, 5.5), ("stop", 5.5, 10.0)),
        ).truth
        rpm = np.array(truth["rpm"])
        fell.append(rpm[40:50].mean() - rpm[52:66].min())
    assert np.median(fell) > 5


@pytest.mark.parametrize("variant", VARIANTS["pump_whine"])
def test_whine_stands_at_the_vanes_order_and_grows_at_the_stop(variant):
    grown = []
    for seed in (7, 8, 9, 10):
        scene = scene_of("pump_whine", variant, seed, pulley_ratio=1.13, vanes=10)
        whine = scene.parts["pump_whine"]
        assert prominence(whine, turns_of(scene), [11.3]) > 30
        rest = span_mask(scene, [s[1:] for s in scene.truth["steering"] if s[0] == "centre"][:1])
        held = span_mask(scene, [s[1:] for s in scene.truth["steering"] if s[0] == "stop"])
        grown.append(np.mean(whine[held] ** 2.0) / np.mean(whine[rest] ** 2.0))
    assert np.median(grown) > 1.5


@pytest.mark.parametrize("variant", VARIANTS["cavitation_groan"])
def test_groan_is_low_rough_noise_that_beats_with_the_pump(variant):
    scene = scene_of("cavitation_groan", variant, pulley_ratio=1.13, duration_s=15.0)
    groan = scene.parts["cavitation_groan"]
    orders = [1.13, 2.26, 3.39]
    assert max(prominence(groan**2.0, turns_of(scene), [order]) for order in orders) > 4
    hz, power = spectrum(groan, scene.rate)
    assert power[(hz > 50) & (hz < 4500)].sum() > 0.75 * power.sum()


@pytest.mark.parametrize("variant", VARIANTS["belt_squeal"])
def test_squeal_is_a_tone_or_band_of_its_own_pitch_while_the_pump_lags(variant):
    scene = scene_of("belt_squeal", variant)
    squeal, pitch = scene.parts["belt_squeal"], scene.truth["squeal_hz"]
    hz, power = spectrum(squeal, scene.rate)
    assert 1100 <= pitch <= 7500
    assert power[(hz > 0.5 * pitch)].sum() > 0.9 * power.sum()
    strong = np.sort(power)[::-1]
    assert strong[: len(power) // 10].sum() > 0.8 * power.sum()
    assert 0 < scene.truth["belt_slip"] <= 0.06


def test_a_mass_on_a_moving_belt_sticks_for_longer_the_slower_the_belt():
    from audiodiag.simulation.afresh.belt import _stick_slip_waves

    waves = _stick_slip_waves()
    assert waves.shape == (32, 512)
    assert np.all(np.isfinite(waves))
    lines = np.abs(np.fft.rfft(waves, axis=1)) ** 2
    above = 1 - lines[:, 1] / lines[:, 1:].sum(axis=1)
    assert above[0] < 0.1
    assert above[-1] > 2 * above[0]


@pytest.mark.parametrize("variant", VARIANTS["belt_chirp"])
def test_chirp_comes_once_a_pass(variant):
    scene = scene_of("belt_chirp", variant, belt_order=0.41, pulley_ratio=1.13, duration_s=15.0)
    order = scene.truth["chirp_order"]
    assert variant == "by_pulley" or order == 0.41
    turns, loud = turns_of(scene), scene.parts["belt_chirp"] ** 2.0
    near = max(line(loud, turns, order * k + d) for k in (1, 2) for d in (-0.01, 0.0, 0.01))
    beside = [line(loud, turns, o) for o in np.arange(0.2, 1.5, 0.01) if abs(o / order % 1 - 0.5) < 0.3]
    assert near > 6 * np.median(beside)


@pytest.mark.parametrize("variant", VARIANTS["relief_hiss"])
def test_hiss_sounds_only_at_the_stops(variant):
    scene = scene_of("relief_hiss", variant)
    hiss = scene.parts["relief_hiss"]
    held = span_mask(scene, [(a, b + 0.2) for phase, a, b in scene.truth["steering"] if phase == "stop"])
    assert np.sum(hiss[held] ** 2.0) > 0.98 * np.sum(hiss**2.0)
    hz, power = spectrum(hiss, scene.rate)
    assert power[hz > 1000].sum() > 0.85 * power.sum()


@pytest.mark.parametrize("variant", VARIANTS["bearing_growl"])
def test_growl_beats_at_an_order_of_the_bearing(variant):
    scene = scene_of("bearing_growl", variant, duration_s=15.0)
    order = scene.truth["bearing_order"]
    loud, turns = scene.parts["bearing_growl"] ** 2.0, turns_of(scene)
    around = [line(loud, turns, order + d) for d in np.linspace(-0.15, 0.15, 31)]
    beside = [
        line(loud, turns, order + d) for d in (*np.linspace(-0.6, -0.3, 12), *np.linspace(0.3, 0.6, 12))
    ]
    assert np.max(around) > 4 * np.median(beside)


@pytest.mark.parametrize("variant", VARIANTS["engine"])
def test_engine_repeats_with_its_firings(variant):
    settings = {"symptoms": (), "cylinders": 4, "duration_s": 8.0, "mode": "idle"}
    scene = make_scene(9, **PLAIN, **settings, variants={"engine": variant})
    engine, turns = scene.parts["engine"], turns_of(scene)
    heights = [prominence(sound, turns, [2, 4, 6]) for sound in (engine, engine**2.0)]
    assert max(heights) > 15


@pytest.mark.parametrize("codec", ["m4a", "opus", "mp3", "wav", "flac", "3gp"])
def test_decoded_sound_lies_at_the_times_of_the_truth(codec):
    settings = {"codec": codec, "duration_s": 5.0, "disturbances": (), "mode": "idle", "symptoms": ()}
    clip = simulate_afresh(12, **settings)
    assert abs(lag_s(clip.parts["engine"], clip.samples, clip.sample_rate_hz)) < 0.005


@pytest.mark.parametrize("name", bay_room.DISTURBANCES)
def test_everything_around_can_be_heard(name):
    plain = {"symptoms": (), "duration_s": 5.0, "steering": "both_stops", "codec": "wav"}
    with_it, without = (make_scene(7, **plain, disturbances=those).samples for those in ((name,), ()))
    assert np.all(np.isfinite(with_it))
    assert not np.array_equal(with_it, without)


def test_command_writes_clips_with_their_truth_on_two_processes_too(tmp_path, capsys):
    assert main([str(tmp_path / "one"), "--first", "21", "--count", "1"]) == 0
    assert "1 simulated clips" in capsys.readouterr().out
    asked = [str(tmp_path / "new"), "--first", "21", "--count", "2", "--processes", "2"]
    done = subprocess.run(
        [sys.executable, "-m", "audiodiag.simulation.afresh", *asked],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert (done.returncode, done.stderr) == (0, "")
    for seed in (21, 22):
        truth = json.loads((tmp_path / "new" / f"afresh_{seed:06d}.truth.json").read_text(encoding="utf-8"))
        assert truth["seed"] == seed
        assert (tmp_path / "new" / truth["file"]).stat().st_size > 5000
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "new" / file.name).read_bytes()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--count", "0"], "count of clips is out of range (got 0; allowed: 1 to 100000)"),
        (["--first", "-1"], "first seed is out of range (got -1"),
        (["--processes", "0"], "number of processes is out of range (got 0"),
    ],
)
def test_command_refuses_numbers_out_of_range(tmp_path, capsys, arguments, said):
    assert main([str(tmp_path), *arguments]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"symptoms": ("rattle",)}, "unknown symptom for a simulated clip (got 'rattle'"),
        ({"variants": {"belt_chirp": "loud"}}, "unknown variant of belt_chirp"),
        ({"mode": "coast"}, "unknown speed mode"),
        ({"duration_s": 1.0}, "duration_s is out of range .* allowed: 3 to 60"),
        ({"levels_db": {"pump_whine": float("nan")}}, "level of pump_whine is out of range .*got nan"),
        ({"levels_db": {"pump_whine": 1e6}}, "level of pump_whine is out of range .* allowed: -60 to 40"),
        ({"steering": (("centre", 0.0, 2.0),), "duration_s": 4.0}, "does not run from 0 to the end"),
        ({"symptoms": ("relief_hiss",), "steering": "none", "duration_s": 4.0}, "held at a stop"),
    ],
)
def test_settings_that_cannot_be_are_refused(settings, said):
    with pytest.raises(UsageError, match=said.replace("(", r"\(")):
        make_scene(1, **settings)
