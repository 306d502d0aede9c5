"""The car: reading, deriving, refusing in words."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiodiag.errors import VehicleError
from audiodiag.units import rpm_to_hz
from audiodiag.vehicle import (
    SETTINGS,
    BeltDrivenPart,
    Vehicle,
    belt_order,
    read_vehicle,
    settings_help,
    with_options,
)

WHOLE = """
[car]
name = "blue estate"
[engine]
cylinders = 4
idle_low_rpm = 700
idle_high_rpm = 850
[crank]
pulley_mm = 150
[pump]
pulley_mm = 125
vanes = 10
[belt]
length_mm = 2100
[[other_part]]
name = "alternator"
pulley_mm = 60
events_per_turn = [6, 12]
[[other_part]]
name = "fan"
turns_per_crank_turn = 1.1
"""


def write(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "car.toml"
    file.write_text(text, encoding="utf-8")
    return file


def refusal(tmp_path: Path, text: str) -> str:
    with pytest.raises(VehicleError) as caught:
        read_vehicle(write(tmp_path, text))
    return str(caught.value)


def test_a_whole_file_is_read_and_what_follows_is_derived(tmp_path: Path) -> None:
    car = read_vehicle(write(tmp_path, WHOLE))
    assert car == Vehicle(
        name="blue estate",
        cylinders=4,
        pump_ratio=150 / 125,
        vanes=10,
        crank_pulley_mm=150,
        pump_pulley_mm=125,
        belt_length_mm=2100,
        belt_passes_per_crank_turn=math.pi * 150 / 2100,
        idle_low_rpm=700,
        idle_high_rpm=850,
        other_parts=(BeltDrivenPart("alternator", 2.5, (6.0, 12.0)), BeltDrivenPart("fan", 1.1)),
    )


def test_an_empty_file_and_a_byte_order_mark_are_no_trouble(tmp_path: Path) -> None:
    assert read_vehicle(write(tmp_path, "")) == Vehicle()
    assert read_vehicle(write(tmp_path, "\ufeff[pump]\nvanes = 9")).vanes == 9


def test_belt_pass_frequency_follows_the_published_formula() -> None:
    """CHECK_VALUES 9: belt length pass frequency = pi D n/(60 L), exact for a belt without slip.

    The geometry is that of Shigley's Mechanical Engineering Design, ch. 17 (belt speed V = pi D n); from
    the formula, D = 150 mm, n = 750 rpm and L = 2.1 m give V = 5.8905 m/s and 2.8050 Hz.
    """
    frequency_hz = belt_order(150.0, 2100.0) * rpm_to_hz(750.0)
    assert frequency_hz == pytest.approx(2.8050, abs=5e-5)
    assert frequency_hz * 2.1 == pytest.approx(5.8905, abs=5e-5)


@pytest.mark.parametrize(("vanes", "first"), [(9, 18), (10, 10), (11, 22), (12, 12)])
def test_odd_vanes_put_the_first_ripple_at_twice_their_order(vanes: int, first: int) -> None:
    """CHECK_VALUES 8: superposition of two outlet ports of a balanced pump, a fact of geometry."""
    assert Vehicle(pump_ratio=1.0, vanes=vanes).first_ripple_order == first


def test_the_pump_example_of_the_check_values() -> None:
    """CHECK_VALUES 8: z = 10, ratio 1.2: engine order 12, 150 Hz at 750 rpm and 170 Hz at 850 rpm."""
    order = Vehicle(pump_ratio=1.2, vanes=10).first_ripple_order
    assert order is not None
    assert order * rpm_to_hz(750) == pytest.approx(150)
    assert order * rpm_to_hz(850) == pytest.approx(170)
    assert Vehicle(vanes=10).first_ripple_order is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[pump]\nvane = 10",
            ["car.toml: [pump]: key vane is not known", "did you mean vanes?", "pulley_mm"],
        ),
        ("[pumps]\nvanes = 10", ["section [pumps] is not known", "did you mean pump?"]),
        ("[weather]\nrain = 1", ["section [weather] is not known", "car, engine, crank"]),
        ("[engine]\ncylinders = 0", ["[engine] cylinders", "got 0", "whole number from 1 to 16"]),
        ("[engine]\ncylinders = 4.5", ["[engine] cylinders", "got 4.5", "whole number"]),
        ("[engine]\ncylinders = true", ["[engine] cylinders", "got True"]),
        ('[engine]\ncylinders = "four"', ["[engine] cylinders", 'got "four"']),
        ("[pump]\nratio = nan", ["[pump] ratio", "got nan", "from 0.3 to 4"]),
        ("[crank]\npulley_mm = 15", ["[crank] pulley_mm", "got 15", "from 40 to 400 mm"]),
        ('[car]\nname = "  "', ["[car] name", "text of 1 to 80 characters"]),
        (
            "[crank]\npulley_mm = 150\n[pump]\npulley_mm = 125\nratio = 1.3",
            ["[pump] ratio contradicts", "1.3 against 1.2", "at most 2 %"],
        ),
        (
            "[crank]\npulley_mm = 150\n[belt]\nlength_mm = 2100\npasses_per_crank_turn = 0.3",
            ["[belt] passes_per_crank_turn contradicts", "0.3 against 0.2244"],
        ),
        ("[crank]\npulley_mm = 400\n[pump]\npulley_mm = 50", ["impossible pump turns", "hence 8"]),
        (
            "[engine]\nidle_low_rpm = 900\nidle_high_rpm = 700",
            ["idle_low_rpm is above", "900 rpm and 700 rpm"],
        ),
        ("engine = 4", ["engine is not a section", "[engine] on a line of its own"]),
        ("[other_part]\nname = 'fan'", ["other_part is not a list", "[[other_part]] (two brackets)"]),
        ("[[other_part]]\npulley_mm = 60", ["[[other_part]] number 1 has no name"]),
        ("[[other_part]]\nname = 'fan'", ["(fan) does not say how fast", "got neither key"]),
        ("[[other_part]]\nname = 'fan'\npulley_mm = 60", ["pulley_mm without [crank] pulley_mm"]),
        (
            "[[other_part]]\nname = 'fan'\nturns_per_crank_turn = 1\n" * 2,
            ["number 2 has the name of another part", "got fan"],
        ),
        (
            "[crank]\npulley_mm = 150\n"
            "[[other_part]]\nname = 'fan'\npulley_mm = 60\nturns_per_crank_turn = 2",
            ["(fan) turns_per_crank_turn contradicts the pulleys", "2 against 2.5"],
        ),
        (
            "[[other_part]]\nname = 'fan'\nturns_per_crank_turn = 1\nevents_per_turn = 6",
            ["a list of numbers"],
        ),
        ("[[other_part]]\nname = 'fan'\nblades = 6", ["[[other_part]] number 1: key blades is not known"]),
        ("[engine\ncylinders = 4", ["is not a TOML file", "line 1"]),
    ],
)
def test_what_cannot_be_true_is_refused_in_words(tmp_path: Path, text: str, words: list[str]) -> None:
    said = refusal(tmp_path, text)
    for word in words:
        assert word in said, said
    assert "What to do: " in said


def test_a_missing_file_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(VehicleError, match=r"none\.toml cannot be read \(got No such file"):
        read_vehicle(tmp_path / "none.toml")


def test_a_small_difference_keeps_the_stated_ratio(tmp_path: Path) -> None:
    car = read_vehicle(write(tmp_path, "[crank]\npulley_mm = 150\n[pump]\npulley_mm = 125\nratio = 1.21"))
    assert car.pump_ratio == 1.21


def test_options_override_and_recompute_what_followed() -> None:
    car = with_options(Vehicle(), crank_pulley_mm=150, pump_pulley_mm=125)
    assert car.pump_ratio == 1.2
    assert with_options(car, pump_pulley_mm=100).pump_ratio == 1.5
    assert with_options(car, cylinders=5).cylinders == 5
    assert with_options(with_options(car, vanes=10), vanes=11).vanes == 11


def test_options_are_refused_by_their_own_names() -> None:
    with pytest.raises(
        VehicleError, match=r"option --vanes cannot be used: .*got 40; allowed: a whole number"
    ):
        with_options(Vehicle(), vanes=40)
    car = with_options(Vehicle(), crank_pulley_mm=150, pump_pulley_mm=125)
    with pytest.raises(VehicleError, match="option --pump-ratio contradicts the car's pulley_mm"):
        with_options(car, pump_ratio=2.0)
    with pytest.raises(VehicleError, match="option --idle-low-rpm is above the car's idle_high_rpm"):
        with_options(Vehicle(idle_high_rpm=700), idle_low_rpm=900)


@given(crank=st.floats(100, 200), pump=st.floats(90, 150), length=st.floats(800, 3000))
def test_options_in_any_order_give_the_same_car(crank: float, pump: float, length: float) -> None:
    once = with_options(Vehicle(), crank_pulley_mm=crank, pump_pulley_mm=pump, belt_length_mm=length)
    one_by_one = with_options(
        with_options(with_options(Vehicle(), belt_length_mm=length), pump_pulley_mm=pump),
        crank_pulley_mm=crank,
    )
    assert once == one_by_one
    assert with_options(once) == once


def test_every_setting_is_documented_and_every_option_is_a_field() -> None:
    text = settings_help()
    assert len(text.splitlines()) == len(SETTINGS)
    for setting in SETTINGS:
        assert f"] {setting.key}: {setting.help}" in text
    fields = {setting.field for setting in SETTINGS if setting.field}
    assert fields == set(Vehicle.__dataclass_fields__) - {"other_parts"}


def test_the_description_says_all_that_is_known(tmp_path: Path) -> None:
    said = read_vehicle(write(tmp_path, WHOLE)).describe()
    for words in (
        "blue estate",
        "4 cylinders (firing order 2)",
        "1.2 times a crank turn, 10 vanes (first ripple order 12)",
        "belt passes 0.224 times",
        "Idle 700 to 850 rpm",
        "alternator turns 2.5 times a crank turn (6, 12 events a turn)",
    ):
        assert words in said
    assert "twice the vane order" in Vehicle(pump_ratio=1, vanes=9).describe()


@pytest.mark.parametrize("text", ["a=" + "[" * 5000, "[engine]\ncylinders = " + "9" * 5000])
def test_brackets_and_numbers_without_end_are_refused(tmp_path: Path, text: str) -> None:
    assert "allowed: " in refusal(tmp_path, text)
