"""Every variant sounds, the draws have the intended spread, wrong names are refused in words."""

import time
from collections import Counter

import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.simulation import BaySettings, simulate, simulate_not_engine
from audiodiag.simulation.accessories import ACCESSORIES, healthy_parts
from audiodiag.simulation.elsewhere import ELSEWHERE
from audiodiag.simulation.engine import ENGINE_VARIANTS
from audiodiag.simulation.plan import draw_plan
from audiodiag.simulation.rotors import ROTOR_WAYS, rotor
from audiodiag.simulation.scene import Scene
from audiodiag.simulation.settings import CODECS, DISTURBANCES, MODES
from audiodiag.simulation.symptoms import SYMPTOM_VARIANTS

PHASES = (("turning", 0.0, 1.0), ("stop", 1.0, 2.5), ("centre", 2.5, 3.0))
SHORT = {"duration_s": 3.0, "codec": "wav", "sample_rate_hz": 16000, "phases": PHASES}


@pytest.mark.parametrize(
    ("name", "variant"), [(name, v) for name, kinds in SYMPTOM_VARIANTS.items() for v in kinds]
)
def test_every_variant_of_every_symptom_sounds(name: str, variant: str) -> None:
    settings = BaySettings(symptoms=(name,), variants={name: variant}, disturbances=(), **SHORT)  # type: ignore[arg-type]
    clip = simulate(2, settings=settings)
    assert clip.truth["symptoms"] == [name]
    assert clip.truth["variants"][name] == variant
    assert np.isfinite(clip.samples).all() and np.abs(clip.samples).max() > 1e-3


@pytest.mark.parametrize("variant", sorted(ENGINE_VARIANTS))
def test_every_engine_variant_sounds_with_every_disturbance_and_accessory(variant: str) -> None:
    settings = BaySettings(
        variants={"engine": variant},
        disturbances=DISTURBANCES,
        accessories=tuple(ACCESSORIES),
        **SHORT,  # type: ignore[arg-type]
    )
    clip = simulate(4, settings=settings)
    assert clip.truth["disturbances"] == list(DISTURBANCES)
    assert set(clip.truth["accessories"]) <= set(ACCESSORIES)
    assert np.isfinite(clip.samples).all() and 1e-3 < np.abs(clip.samples).max() <= 1.0


@pytest.mark.parametrize("mode", MODES)
def test_speed_stays_in_the_range_of_a_car(mode: str) -> None:
    for seed in range(12):
        rpm = draw_plan(seed, BaySettings(mode=mode)).driving.rpm
        assert rpm.min() > 340 and rpm.max() < 5500
        if mode == "idle":
            assert 550 < np.median(rpm) < 1150
        if mode == "raised":
            assert np.median(rpm) > 1100


def test_draws_have_the_intended_spread() -> None:
    plans = [draw_plan(seed, BaySettings()) for seed in range(300)]
    clean = np.mean([not plan.symptoms for plan in plans])
    single = np.mean([len(plan.symptoms) == 1 for plan in plans])
    assert 0.22 < clean < 0.38
    assert single > 0.35
    assert {plan.codec for plan in plans} == set(CODECS)
    cylinders = Counter(plan.cylinders for plan in plans)
    assert cylinders.most_common(1)[0][0] == 4 and set(cylinders) == {3, 4, 5, 6, 8}
    assert 0.22 < np.mean([plan.hard for plan in plans]) < 0.44


def test_fixing_the_symptoms_leaves_the_car_and_the_speed_as_drawn() -> None:
    drawn, fixed = draw_plan(7, BaySettings()), draw_plan(7, BaySettings(symptoms=("pump_whine",)))
    assert drawn.pulley_ratio == fixed.pulley_ratio
    assert np.array_equal(drawn.driving.rpm, fixed.driving.rpm)


@pytest.mark.parametrize("kind", sorted(ELSEWHERE))
def test_sounds_without_an_engine(kind: str) -> None:
    clip = simulate_not_engine(6, kind=kind, duration_s=3.0)
    assert clip.truth["kind"] == "not_an_engine_bay" and clip.truth["symptoms"] == []
    assert np.isfinite(clip.samples).all() and np.abs(clip.samples).max() > 1e-3


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"symptoms": ("whine",)}, "unknown symptom for a simulated clip .*'whine'.*pump_whine"),
        ({"mode": "racing"}, "unknown speed mode .*'racing'.*cold_idle"),
        ({"codec": "wma"}, "unknown codec .*'wma'.*m4a"),
        ({"disturbances": ("noise",)}, "unknown disturbance .*'noise'.*street"),
        ({"phases": (("left", 0.0, 1.0),)}, "unknown steering phase .*'left'.*turning"),
        ({"levels_db": {"hiss": 0.0}}, "unknown symptom level .*'hiss'.*relief_hiss"),
    ],
)
def test_unknown_names_are_refused_with_the_allowed_ones(settings: dict, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        BaySettings(**settings)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"variants": {"engine": "rotary"}}, "unknown variant of engine .*'rotary'.*diesel"),
        ({"variants": {"gearbox": "x"}}, "unknown source of sound .*'gearbox'.*engine"),
        ({"accessories": ("radio",)}, "unknown healthy part .*'radio'.*alternator"),
    ],
)
def test_unknown_variants_are_refused_with_the_allowed_ones(settings: dict, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        simulate(1, settings=BaySettings(**settings))


def test_a_clip_costs_about_a_second() -> None:
    """Twenty seconds at 48 kHz with three symptoms; the budget is 1 s, more on a busy machine."""
    settings = BaySettings(
        symptoms=("pump_whine", "cavitation_groan", "belt_squeal"),
        duration_s=20.0,
        sample_rate_hz=48000,
        codec="m4a",
        disturbances=("street", "room"),
    )
    simulate(1, settings=BaySettings(**SHORT))  # type: ignore[arg-type]
    start = time.process_time()
    simulate(1, settings=settings)
    assert time.process_time() - start < 2.5


@pytest.mark.parametrize("way", ROTOR_WAYS)
def test_every_rotor_beats_as_its_blades_pass(way: str) -> None:
    rate, seconds = 16000, 6
    for seed in range(3):
        sound = rotor(np.random.default_rng(seed), rate * seconds, rate, way=way)
        assert sound.dtype == np.float32 and np.isfinite(sound).all()
        swell = np.abs(sound[: rate * seconds]).reshape(-1, 80).mean(axis=1)
        swell = swell - np.convolve(swell, np.full(100, 0.01), "same")
        lines = np.abs(np.fft.rfft(swell * np.hanning(len(swell))))
        hz = np.fft.rfftfreq(len(swell), 0.005)
        inside = (hz > 4.0) & (hz < 60.0)
        assert lines[inside].max() > 6.0 * np.median(lines[inside]), seed


def test_training_hears_helicopters_besides() -> None:
    from audiodiag.classifier.examples import others, simulated_row

    drawn = others(60)
    assert [each.kind for each in drawn] == [None] * 12 + ["rotor"] * 6
    assert len({each.seed for each in drawn}) == 18
    row = simulated_row(drawn[-1])
    assert row.variant == {"elsewhere": "rotor"} and not row.engine
    assert all(there is None for there in row.present.values())


def _high(accessories: tuple[str, ...], seed: int) -> np.ndarray:
    """What sounds above 4 kHz of a healthy idling car held at a stop from 1.0 s to 2.5 s."""
    from scipy.signal import butter, sosfilt

    settings = BaySettings(symptoms=(), mode="idle", accessories=accessories, disturbances=(), **SHORT)  # type: ignore[arg-type]
    clip = simulate(seed, settings=settings)
    return sosfilt(butter(4, 4000, "highpass", fs=clip.sample_rate_hz, output="sos"), clip.samples)


def test_leaking_intake_does_not_follow_the_wheel() -> None:
    steps = []
    for seed in range(6):
        sound = _high(("intake_leak",), seed)
        turning, stop = np.mean(sound[3200:16000] ** 2), np.mean(sound[17600:38400] ** 2)
        steps.append(10 * np.log10(stop / turning))
    assert abs(float(np.median(steps))) < 1.5, steps


def test_loose_sheet_strikes() -> None:
    """Its sound comes in strikes as the engine throws it up: of a noise the fourth moment would be 3."""
    for seed in range(6):
        plan = draw_plan(seed, BaySettings(mode="idle", **SHORT))  # type: ignore[arg-type]
        turns = plan.turns()
        scene = Scene(
            driving=plan.driving, turns=turns, pump_turns=plan.pump_turns(turns), rate=plan.working_rate_hz,
            cylinders=plan.cylinders, pulley_ratio=plan.pulley_ratio, vanes=plan.vanes,
            belt_order=plan.belt_order, squeal_drive=plan.squeal_drive,
        )  # fmt: skip
        made = healthy_parts(
            np.random.default_rng(seed), np.random.default_rng(9), scene, wanted=("loose_sheet",)
        )
        sound = made["loose_sheet"]
        assert np.mean(sound**4) / np.mean(sound**2) ** 2 > 5
