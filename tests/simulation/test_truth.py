"""The truth is what sounds: orders, rates, spans and levels found again in the parts by plain means."""

import numpy as np
import pytest

from audiodiag.simulation import BaySettings, SimulatedClip, simulate
from audiodiag.simulation.symptoms import SYMPTOM_VARIANTS
from tests.simulation.orders_of import crank_turns, order_spectrum, peak_order

LOCK_TO_LOCK = (
    ("centre", 0.0, 2.0),
    ("turning", 2.0, 4.0),
    ("stop", 4.0, 6.0),
    ("turning", 6.0, 8.0),
    ("stop", 8.0, 9.5),
    ("centre", 9.5, 12.0),
)


def clip_with(*symptoms: str, seed: int = 5, **fixed: object) -> SimulatedClip:
    settings = BaySettings(
        **{
            "symptoms": symptoms,
            "codec": "wav",
            "sample_rate_hz": 32000,
            "duration_s": 12.0,
            "disturbances": (),
            "mode": "idle",
            "phases": LOCK_TO_LOCK,
            **fixed,
        }  # type: ignore[arg-type]
    )
    return simulate(seed, settings=settings, keep_parts=True)


def part(clip: SimulatedClip, name: str) -> np.ndarray:
    assert clip.parts is not None
    return np.asarray(clip.parts[name], float)


@pytest.mark.parametrize("variant", sorted(SYMPTOM_VARIANTS["pump_whine"]))
@pytest.mark.parametrize(("vanes", "first"), [(10, 10), (12, 12), (9, 18), (11, 22)])
def test_whine_stands_at_the_vane_order_and_twice_it_for_odd_vanes(
    variant: str, vanes: int, first: int
) -> None:
    """Balanced pump: an odd number of vanes puts the first strong order at 2z (plain geometry)."""
    clip = clip_with(
        "pump_whine",
        vanes=vanes,
        pulley_ratio=1.137,
        variants={"pump_whine": variant},
        duration_s=6.0,
        phases=LOCK_TO_LOCK[:3],
    )
    orders, amplitude = order_spectrum(part(clip, "pump_whine"), 32000, clip.truth, per_turn=128)
    found = peak_order(orders, amplitude, 5.0, 1.137 * first * 1.4)
    creep = 1 - clip.truth["creep_percent"] / 100
    assert 1.137 * first * creep * 0.997 < found < 1.137 * first * 1.003


def test_whine_order_scales_with_the_pulley_ratio() -> None:
    """A wrong pump ratio in the simulation would fail here by a tenth."""
    for ratio in (0.93, 1.31):
        clip = clip_with("pump_whine", vanes=10, pulley_ratio=ratio, variants={"pump_whine": "ripple"})
        orders, amplitude = order_spectrum(part(clip, "pump_whine"), 32000, clip.truth)
        assert peak_order(orders, amplitude, 5.0, 17.0) == pytest.approx(10 * ratio, rel=0.01)


@pytest.mark.parametrize("variant", ["tonal", "noisy", "pulley"])
def test_chirps_come_at_the_order_that_the_truth_states(variant: str) -> None:
    clip = clip_with("belt_chirp", belt_order=0.37, variants={"belt_chirp": variant}, seed=8)
    order = clip.truth["chirp_order"]
    if variant != "pulley":
        assert order == 0.37
    envelope = np.abs(part(clip, "belt_chirp"))
    smooth = np.convolve(envelope, np.hanning(480) / 240, "same")
    orders, amplitude = order_spectrum(smooth, 32000, clip.truth)
    assert peak_order(orders, amplitude, 0.15, 2.6) == pytest.approx(order, rel=0.03)


def test_hiss_sounds_only_within_its_spans_and_these_only_at_the_stops() -> None:
    clip = clip_with("relief_hiss", seed=3)
    sound = part(clip, "relief_hiss")
    time = np.arange(len(sound)) / 32000
    inside = np.zeros(len(sound), bool)
    for start, end in clip.truth["spans_s"]["relief_hiss"]:
        inside |= (time >= start) & (time <= end)
        assert any(a <= start and end <= b + 0.3 for name, a, b in LOCK_TO_LOCK if name == "stop")
    near = np.zeros(len(sound), bool)
    for start, end in clip.truth["spans_s"]["relief_hiss"]:
        near |= (time >= start - 0.05) & (time <= end + 0.3)
    assert np.mean(sound[inside] ** 2) > 1e4 * np.mean(sound[~near] ** 2)


def test_a_stop_that_does_not_open_the_valve_gives_no_hiss() -> None:
    clip = clip_with("relief_hiss", phases=(("centre", 0.0, 12.0),))
    assert clip.truth["symptoms"] == []
    assert "relief_hiss" not in clip.truth["level_db_re_engine"]


def test_squeal_does_not_follow_the_speed() -> None:
    """Over a run-up the pitch moves by far less than the speed does."""
    clip = clip_with(
        "belt_squeal",
        mode="run_up",
        idle_rpm=800.0,
        variants={"belt_squeal": "smooth"},
        phases=(("stop", 0.0, 12.0),),
        seed=21,
    )
    sound = part(clip, "belt_squeal")
    spans = clip.truth["spans_s"]["belt_squeal"]
    start, end = spans[0][0] + 0.1, spans[-1][1] - 0.1
    pitch, speed = [], []
    for at in (start, end - 0.25):
        piece = sound[int(at * 32000) : int((at + 0.25) * 32000)]
        spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece))))
        pitch.append(float(np.argmax(spectrum) / 0.25))
        speed.append(float(np.interp(at, clip.truth["time_s"], clip.truth["rpm"])))
    assert speed[1] / speed[0] > 1.3
    assert abs(np.log(pitch[1] / pitch[0])) < 0.5 * np.log(speed[1] / speed[0])


def test_the_pump_loses_the_stated_slip_while_the_belt_squeals() -> None:
    clip = clip_with(
        "pump_whine",
        "belt_squeal",
        pulley_ratio=1.2,
        vanes=10,
        variants={"pump_whine": "harmonics", "belt_squeal": "smooth"},
        seed=14,
    )
    sound, slip = part(clip, "pump_whine"), clip.truth["slip_percent"]
    assert slip > 1.0
    start, end = max(clip.truth["spans_s"]["belt_squeal"], key=lambda span: span[1] - span[0])

    def pump_order(a: float, b: float) -> float:
        time = np.arange(int(a * 32000), int(b * 32000)) / 32000
        turns = crank_turns(clip.truth, time)
        trial = np.arange(10.4, 12.4, 0.01)
        piece = sound[int(a * 32000) : int(b * 32000)] * np.hanning(len(time))
        strength = [abs(np.sum(piece * np.exp(-2j * np.pi * order * turns))) for order in trial]
        return float(trial[int(np.argmax(strength))])

    at_rest, slipping = pump_order(0.3, 1.7), pump_order(start + 0.2, min(end, start + 1.5))
    assert at_rest == pytest.approx(12.0, rel=0.006)
    assert 100 * (1 - slipping / at_rest) == pytest.approx(slip, abs=0.35 * slip + 0.6)


@pytest.mark.parametrize("seed", range(40, 46))
def test_planted_levels_are_found_again_in_the_parts(seed: int) -> None:
    clip = clip_with("pump_whine", "cavitation_groan", "belt_chirp", "bearing_growl", seed=seed)
    rate = clip.truth["parts_rate_hz"]
    engine = np.mean(part(clip, "engine") ** 2)
    assert len(clip.truth["symptoms"]) == 4
    for name, stated in clip.truth["level_db_re_engine"].items():
        sound = part(clip, name)
        pieces = [sound[round(a * rate) : round(b * rate)] for a, b in clip.truth["spans_s"][name]]
        level = 10 * np.log10(np.mean(np.concatenate(pieces) ** 2) / engine)
        assert level == pytest.approx(stated, abs=0.5)


def test_the_engine_fires_at_half_its_cylinders_per_turn() -> None:
    for cylinders in (3, 4, 5, 6):
        clip = clip_with(cylinders=cylinders, variants={"engine": "plain_orders"}, accessories=(), seed=9)
        orders, amplitude = order_spectrum(part(clip, "engine"), 32000, clip.truth)
        tall = amplitude > 0.5 * amplitude[(orders > 0.3) & (orders < 12)].max()
        strong = orders[tall & (orders > 0.3) & (orders < 12)]
        multiples = strong / (cylinders / 2)
        assert np.all(np.abs(multiples - np.round(multiples)) < 0.03)


def test_healthy_pump_ripple_stays_20_db_below_and_is_no_symptom() -> None:
    heard = 0
    for seed in range(6):
        clip = clip_with(seed=seed, duration_s=4.0, phases=(("centre", 0.0, 4.0),))
        assert clip.truth["symptoms"] == []
        assert clip.parts is not None
        if "healthy_ripple" in clip.parts:
            heard += 1
            share = np.mean(part(clip, "healthy_ripple") ** 2) / np.mean(part(clip, "engine") ** 2)
            assert share < 0.01
    assert heard


def test_given_phases_and_speed_are_kept() -> None:
    clip = clip_with(idle_rpm=777.0)
    assert [tuple(span) for span in clip.truth["steering"]] == list(LOCK_TO_LOCK)
    assert np.median(clip.truth["rpm"]) == pytest.approx(777, rel=0.06)
    assert clip.truth["time_s"][-1] == 12.0
    assert clip.truth["simulated"] is True
