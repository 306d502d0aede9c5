"""The bay built apart: repeatable, its truth complete and true, its sounds where their physics puts them."""

from __future__ import annotations

import ast
import json
import subprocess
import sys

import av
import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS
from audiodiag.simulation.apart import simulate_apart
from audiodiag.simulation.apart.__main__ import main
from audiodiag.simulation.apart.bay import VARIANTS, make_scene
from tests.house.house import PACKAGE, ROOT

PLAIN = {"codec": "wav", "sample_rate_hz": 32000, "disturbances": ()}
SIX = [(name, variant) for name in SYMPTOMS for variant in VARIANTS[name]]


def scene_of(name, variant, **more):
    settings = {"symptoms": (name,), "variants": {name: variant}, "duration_s": 8.0, "mode": "idle"}
    return make_scene(7, **{**PLAIN, "steering": "one_lock", **settings, **more})


def turns_of(scene):
    """Crank turns at every sample, from the truth alone."""
    at = np.arange(len(scene.samples)) / scene.rate
    return np.cumsum(np.interp(at, scene.truth["time_s"], scene.truth["rpm"])) / (60 * scene.rate)


def line(sound, turns, order):
    """Power of a sound at one order, by a windowed Fourier sum."""
    window = np.hanning(len(sound))
    return abs(np.sum((sound - sound.mean()) * window * np.exp(-2j * np.pi * order * turns))) ** 2


def prominence(sound, turns, orders):
    """Height of lines over the middle of what lies 0.12 to 0.45 orders beside them, as a ratio of powers."""
    beside = [
        line(sound, turns, o + d)
        for o in orders
        for d in (*np.linspace(-0.45, -0.12, 9), *np.linspace(0.12, 0.45, 9))
    ]
    return np.mean([line(sound, turns, o) for o in orders]) / np.median(beside)


def span_mask(scene, spans):
    t = np.arange(len(scene.samples)) / scene.rate
    return np.any([(t >= a) & (t < b) for a, b in spans], axis=0)


def lag_s(reference, late, rate):
    size = 2 * max(len(reference), len(late))
    cross = np.fft.irfft(np.fft.rfft(late, size) * np.conj(np.fft.rfft(reference, size)), size)
    best = int(np.argmax(cross))
    return (best if best < size // 2 else best - size) / rate


def test_same_seed_same_clip_other_seed_other_clip():
    first, again, other = (simulate_apart(seed, duration_s=3.0, codec="opus") for seed in (5, 5, 6))
    assert np.array_equal(first.samples, again.samples)
    assert first.truth == again.truth
    assert not np.array_equal(first.samples, other.samples)


def test_it_shares_only_settings_and_encoders_with_the_first_simulation():
    ours = "audiodiag.simulation."
    for path in (PACKAGE / "simulation" / "apart").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert node.level <= 1, path.name
                module = node.module or ""
                if module.startswith(ours) or module == ours[:-1]:
                    assert module in {f"{ours}settings", f"{ours}codecs", f"{ours}writing"}, path.name


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_truth_is_complete_and_plain(seed):
    scene = make_scene(seed, duration_s=5.0)
    truth = scene.truth
    assert {
        "seed",
        "cylinders",
        "pulley_ratio",
        "vanes",
        "belt_order",
        "mode",
        "symptoms",
        "level_db_re_engine",
    } | {
        "spans_s",
        "steering",
        "time_s",
        "rpm",
        "codec",
        "bit_rate",
        "variants",
        "disturbances",
    } <= truth.keys()
    assert json.loads(json.dumps(truth)) == truth
    assert np.allclose(np.diff(truth["time_s"]), 0.1)
    assert len(truth["time_s"]) == len(truth["rpm"]) == 51
    assert 400 < min(truth["rpm"]) <= max(truth["rpm"]) < 4500
    assert truth["spans_s"].keys() == truth["level_db_re_engine"].keys() == set(truth["symptoms"])
    assert all(0 <= a < b <= 5.0 for spans in truth["spans_s"].values() for a, b in spans)
    assert truth["steering"][0][1] == 0
    assert truth["steering"][-1][2] == 5.0
    assert len(scene.samples) == round(5.0 * scene.rate)
    assert np.all(np.isfinite(scene.samples))
    assert 0.05 < np.abs(scene.samples).max() <= 1


def test_a_fifth_of_the_clips_holds_no_symptom_and_no_clip_more_than_three(monkeypatch):
    from audiodiag.simulation.apart import bay, course

    rng = np.random.default_rng(0)
    made = course.make_course(rng, "idle", 800.0, course.steer(rng, "lock_to_lock", 10.0), 160000, 16000)
    drawn = [bay._drawn_symptoms(rng, made) for _ in range(1000)]
    assert 0.16 < np.mean([not heard for heard in drawn]) < 0.24
    assert max(map(len, drawn)) == 3
    for name in SYMPTOMS:
        share = np.mean([name in heard for heard in drawn])
        assert 0.12 < share < (0.6 if name == "relief_hiss" else 0.28), name


@pytest.mark.parametrize(("name", "variant"), SIX)
def test_level_is_power_over_its_active_time_re_engine(name, variant):
    scene = scene_of(name, variant, levels_db={name: -7.0}, duration_s=6.0)
    part, engine = scene.parts[name], scene.parts["engine"]
    active = span_mask(scene, scene.truth["spans_s"][name])
    level = 10 * np.log10(np.mean(part[active] ** 2.0) / np.mean(engine**2.0))
    assert level == pytest.approx(-7.0, abs=0.5)
    assert np.sum(part[~active] ** 2.0) < 0.3 * np.sum(part**2.0)


@pytest.mark.parametrize("variant", VARIANTS["pump_whine"])
def test_whine_stands_at_the_vanes_order_and_grows_at_the_stop(variant):
    scene = scene_of("pump_whine", variant, pulley_ratio=1.13, vanes=10)
    whine = scene.parts["pump_whine"]
    assert prominence(whine, turns_of(scene), [11.3]) > 30
    rest = span_mask(scene, [s[1:] for s in scene.truth["steering"] if s[0] == "centre"][:1])
    held = span_mask(scene, [s[1:] for s in scene.truth["steering"] if s[0] == "stop"])
    assert np.mean(whine[held] ** 2.0) > 1.5 * np.mean(whine[rest] ** 2.0)


def test_odd_vanes_of_a_balanced_pump_ripple_twice_as_often():
    scene = scene_of("pump_whine", "harmonics", pulley_ratio=1.13, vanes=9)
    whine, turns = scene.parts["pump_whine"], turns_of(scene)
    assert line(whine, turns, 18 * 1.13) > 4 * line(whine, turns, 9 * 1.13)


@pytest.mark.parametrize("variant", VARIANTS["cavitation_groan"])
def test_groan_is_noise_that_beats_with_the_pump(variant):
    scene = scene_of("cavitation_groan", variant, pulley_ratio=1.13, duration_s=15.0)
    groan = scene.parts["cavitation_groan"]
    assert prominence(groan**2.0, turns_of(scene), [1.13, 2.26]) > 4
    power = np.abs(np.fft.rfft(groan)) ** 2
    hz = np.fft.rfftfreq(len(groan), 1 / scene.rate)
    assert power[(hz > 100) & (hz < 4500)].sum() > 0.75 * power.sum()


@pytest.mark.parametrize("variant", VARIANTS["belt_squeal"])
def test_squeal_is_a_tone_of_its_own_pitch_while_the_pump_lags(variant):
    scene = scene_of("belt_squeal", variant)
    squeal = scene.parts["belt_squeal"]
    power = np.abs(np.fft.rfft(squeal)) ** 2
    hz = np.fft.rfftfreq(len(squeal), 1 / scene.rate)
    pitch = scene.truth["squeal_hz"]
    assert 1500 <= pitch <= 7000
    near = sum(power[np.abs(hz / (k * pitch) - 1) < 0.12].sum() for k in range(1, 6))
    assert near > 0.85 * power.sum()
    assert 0 < scene.truth["belt_slip"] <= 0.05


@pytest.mark.parametrize("variant", VARIANTS["belt_chirp"])
def test_chirp_comes_once_a_pass(variant):
    scene = scene_of("belt_chirp", variant, belt_order=0.41, pulley_ratio=1.13, duration_s=15.0)
    order = {"pulley": 1.13}.get(variant, 0.41)
    assert scene.truth["chirp_order"] == order
    turns, loud = turns_of(scene), scene.parts["belt_chirp"] ** 2.0
    heights = [line(loud, turns, o) for o in np.arange(0.2, 1.5, 0.01)]
    assert max(line(loud, turns, order + d) for d in (-0.01, 0.0, 0.01)) > 0.9 * max(heights)


@pytest.mark.parametrize("variant", VARIANTS["belt_chirp"])
def test_chirps_stay_apart_at_raised_speed(variant):
    scene = scene_of("belt_chirp", variant, mode="raised", steering="still")
    chirp = scene.parts["belt_chirp"]
    start, end = (int(at * scene.rate) for at in scene.truth["spans_s"]["belt_chirp"][0])
    blocks = chirp[start : end - (end - start) % 64].reshape(-1, 64)
    loud = np.sqrt(np.mean(blocks**2.0, axis=1))
    assert np.mean(loud < 0.1 * np.quantile(loud, 0.98)) > 0.35


@pytest.mark.parametrize("variant", VARIANTS["relief_hiss"])
def test_hiss_sounds_only_at_the_stops(variant):
    scene = scene_of("relief_hiss", variant)
    hiss = scene.parts["relief_hiss"]
    held = span_mask(scene, [(a, b + 0.2) for phase, a, b in scene.truth["steering"] if phase == "stop"])
    assert np.sum(hiss[held] ** 2.0) > 0.98 * np.sum(hiss**2.0)
    power = np.abs(np.fft.rfft(hiss)) ** 2
    hz = np.fft.rfftfreq(len(hiss), 1 / scene.rate)
    assert power[(hz > 1200) & (hz < 13000)].sum() > 0.9 * power.sum()


@pytest.mark.parametrize("variant", VARIANTS["bearing_growl"])
def test_growl_beats_at_an_order_of_the_bearing_that_is_no_whole_number(variant):
    scene = scene_of("bearing_growl", variant, duration_s=15.0)
    order, shaft = scene.truth["bearing_order"], scene.truth["shaft_order"]
    assert abs(order / shaft - round(order / shaft)) > 0.05
    loud = scene.parts["bearing_growl"] ** 2.0
    turns = turns_of(scene)
    around = [line(loud, turns, order + d) for d in np.linspace(-0.06, 0.06, 13)]
    beside = [
        line(loud, turns, order + d) for d in (*np.linspace(-0.45, -0.2, 12), *np.linspace(0.2, 0.45, 12))
    ]
    assert np.max(around) > 6 * np.median(beside)


@pytest.mark.parametrize("variant", VARIANTS["engine"])
def test_engine_is_a_comb_of_firing_orders(variant):
    scene = make_scene(
        9, **PLAIN, symptoms=(), cylinders=4, duration_s=8.0, mode="idle", variants={"engine": variant}
    )
    assert prominence(scene.parts["engine"], turns_of(scene), [2, 4, 6]) > 15


@pytest.mark.parametrize("codec", ["m4a", "opus", "mp3", "wav", "3gp"])
def test_decoded_sound_and_file_lie_at_the_times_of_the_truth(codec, tmp_path):
    from audiodiag.simulation.codecs import encode, resample

    settings = {"codec": codec, "duration_s": 5.0, "disturbances": (), "mode": "idle", "symptoms": ()}
    clip = simulate_apart(12, **settings)
    assert abs(lag_s(clip.parts["engine"], clip.samples, clip.sample_rate_hz)) < 0.005
    scene = make_scene(12, **settings)
    file = encode(scene.samples, scene.rate, tmp_path / f"a.{codec}", codec, clip.truth["bit_rate"])
    with av.open(str(file)) as container:
        rate = container.streams.audio[0].rate
        form = av.AudioResampler(format="fltp", layout="mono", rate=rate)
        read = np.concatenate(
            [p.to_ndarray()[0] for f in container.decode(audio=0) for p in form.resample(f)]
        )
    assert abs(lag_s(clip.parts["engine"], resample(read, rate, scene.rate), scene.rate)) < 0.005


def test_command_writes_clips_with_their_truth_on_two_processes_too(tmp_path, capsys):
    assert main([str(tmp_path / "one"), "--first", "21", "--count", "1"]) == 0
    assert "1 simulated clips" in capsys.readouterr().out
    asked = [str(tmp_path / "new"), "--first", "21", "--count", "2", "--processes", "2"]
    done = subprocess.run(
        [sys.executable, "-m", "audiodiag.simulation.apart", *asked],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert (done.returncode, done.stderr) == (0, "")
    for seed in (21, 22):
        truth = json.loads((tmp_path / "new" / f"apart_{seed:06d}.truth.json").read_text(encoding="utf-8"))
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


def test_command_refuses_a_folder_that_is_a_file(tmp_path, capsys):
    file = tmp_path / "file"
    file.write_text("x")
    assert main([str(file)]) == 2
    assert "the folder cannot be made" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"symptoms": ("rattle",)}, "unknown symptom for a simulated clip (got 'rattle'"),
        ({"variants": {"belt_chirp": "loud"}}, "unknown variant of belt_chirp"),
        ({"mode": "coast"}, "unknown speed mode"),
        ({"duration_s": 1.0}, "duration_s is out of range .* allowed: 3 to 60"),
        ({"steering": (("centre", 0.0, 2.0),), "duration_s": 4.0}, "does not run from 0 to the end"),
        ({"symptoms": ("relief_hiss",), "steering": "still", "duration_s": 4.0}, "held at a stop"),
    ],
)
def test_settings_that_cannot_be_are_refused(settings, said):
    with pytest.raises(UsageError, match=said.replace("(", r"\(")):
        make_scene(1, **settings)
