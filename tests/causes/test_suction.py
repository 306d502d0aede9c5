"""The margin at the pump's inlet against published and independently computed values."""

import math

import pytest

from audiodiag.causes.suction import (
    SuctionLine,
    density_kg_m3,
    hose_drop_bar,
    suction_margin,
    velocity_m_s,
    walther_law,
)
from audiodiag.errors import UsageError


def test_walther_worked_example() -> None:
    """A published worked example of ASTM D341: 32 at 40 C, 5.4 at 100 C (T = C + 273), 8.5 at 80 C."""
    law = walther_law(40.0, 32.0, 100.0, 5.4, zero_c_in_k=273.0)
    assert law.a == pytest.approx(9.5259, abs=1e-4)
    assert law.b == pytest.approx(3.7449, abs=1e-4)
    exact = walther_law(40.0, 32.0, 100.0, 5.4)
    assert (exact.a, exact.b) == pytest.approx((9.53082, 3.74658), abs=1e-4)
    assert exact.viscosity_mm2_s(80.0) == pytest.approx(8.5332, abs=1e-3)


@pytest.mark.parametrize(
    ("at_40", "at_100", "expected"),
    [
        (34, 7.3, {-40: 6067, -20: 879, -10: 413, 0: 216, 20: 75.7, 60: 18.2, 80: 11.0}),
        (36, 7.5, {-40: 7377, -20: 1011, -10: 465, 0: 239, 20: 81.7, 60: 19.0, 80: 11.4}),
        (38, 7.7, {-40: 8836, -20: 1150, -10: 519, 0: 263, 20: 87.7, 60: 19.8, 80: 11.8}),
    ],
)
def test_three_steering_fluids(at_40: float, at_100: float, expected: dict[int, float]) -> None:
    """ASTM D341 lines of typical fluids, computed separately."""
    law = walther_law(40.0, at_40, 100.0, at_100)
    for temperature_c, viscosity in expected.items():
        assert law.viscosity_mm2_s(temperature_c) == pytest.approx(viscosity, rel=6e-3)


def test_thin_fluids_follow_the_standards_correction() -> None:
    """Below 2 mm2/s ASTM D341 adds exp(-1.47 - 1.84 v - 0.51 v^2): both given points are met."""
    law = walther_law(0.0, 1.9, 50.0, 0.9)
    assert law.viscosity_mm2_s(0.0) == pytest.approx(1.9, rel=1e-6)
    assert law.viscosity_mm2_s(50.0) == pytest.approx(0.9, rel=1e-6)


@pytest.mark.parametrize(
    ("bore", "rho", "nu", "speed", "reynolds", "drop_pa"),
    [
        (12, 830, 11, 1.2732, 1389, 1033),
        (12, 850, 36, 1.2732, 424.4, 3463),
        (12, 875, 250, 1.2732, 61.1, 24757),
        (12, 890, 1500, 1.2732, 10.2, 151091),
        (16, 830, 11, 0.7162, 1042, 327),
        (16, 850, 36, 0.7162, 318.3, 1096),
        (16, 875, 250, 0.7162, 45.8, 7833),
        (16, 890, 1500, 0.7162, 7.6, 47806),
    ],
)
def test_hose_drop(bore: float, rho: float, nu: float, speed: float, reynolds: float, drop_pa: float) -> None:
    """Hagen and Poiseuille for 9.6 cm3 a turn at 900 rpm through 0.4 m, equal to `fluids.friction_factor`."""
    assert velocity_m_s(bore_mm=bore, flow_l_min=8.64) == pytest.approx(speed, rel=1e-4)
    assert speed * bore * 1e3 / nu == pytest.approx(reynolds, rel=6e-3)
    drop = hose_drop_bar(bore_mm=bore, length_m=0.4, flow_l_min=8.64, viscosity_mm2_s=nu, density_kg_m3=rho)
    assert drop * 1e5 == pytest.approx(drop_pa, rel=1e-3)


def test_fourth_power_law_and_turbulent_friction() -> None:
    one, two = (
        hose_drop_bar(bore_mm=d, length_m=0.4, flow_l_min=8.64, viscosity_mm2_s=50, density_kg_m3=850)
        for d in (12, 16)
    )
    assert one / two == pytest.approx(3.1605, rel=1e-4)
    fast = hose_drop_bar(bore_mm=12, length_m=1, flow_l_min=60, viscosity_mm2_s=10, density_kg_m3=850)
    speed = velocity_m_s(bore_mm=12, flow_l_min=60)
    blasius = 0.3164 / (speed * 0.012 / 10e-6) ** 0.25  # Blasius, textbook
    assert fast == pytest.approx(blasius / 0.012 * 850 * speed**2 / 2 / 1e5, rel=1e-9)


@pytest.mark.parametrize(("bore", "limit_c", "within"), [(12, 8.0, 1.0), (16, -10.0, 1.5)])
def test_where_the_hose_alone_reaches_the_limit(bore: float, limit_c: float, within: float) -> None:
    """0.15 bar of suction: 12 mm at 151 mm2/s, about 8 C; 16 mm at 479 mm2/s, about -10 C (36/7.5 fluid)."""
    found = suction_margin(SuctionLine(fluid_temperature_c=20.0, hose_bore_mm=bore))
    assert found.limit_temperature_c == pytest.approx(limit_c, abs=within)
    at_limit = suction_margin(SuctionLine(fluid_temperature_c=found.limit_temperature_c, hose_bore_mm=bore))
    assert at_limit.margin_bar == pytest.approx(0.0, abs=1e-6)
    assert at_limit.inlet_bar == pytest.approx(0.85, abs=1e-6)
    assert at_limit.cold_probability == pytest.approx(0.5, abs=1e-6)
    assert at_limit.limit_bore_mm == pytest.approx(bore, rel=1e-6)


def test_delivery_and_density() -> None:
    assert suction_margin(SuctionLine(fluid_temperature_c=20.0)).flow_l_min == pytest.approx(8.64)
    assert density_kg_m3(0.0) == 875.0


def test_a_cold_morning_is_told_from_a_blocked_line_in_words() -> None:
    cold = suction_margin(SuctionLine(fluid_temperature_c=-15.0, hose_bore_mm=12.0))
    assert cold.cold_probability > 0.95
    assert "Cold, thick fluid alone can explain a groan" in cold.text()
    assert "the viscosity is a rough estimate" in cold.text()
    assert f"costs {cold.drop_bar:.2f} bar; only 0.15 bar can be spared: " in cold.text()
    warm = suction_margin(SuctionLine(fluid_temperature_c=60.0, hose_bore_mm=12.0))
    assert warm.cold_probability < 0.01
    assert "look for a blocked filter, a collapsed hose or air" in warm.text()
    assert f"costs {warm.drop_bar:.2f} bar; 0.15 bar can be spared: " in warm.text()
    assert 4.0 < warm.limit_bore_mm < 9.0
    frozen = suction_margin(SuctionLine(fluid_temperature_c=-35.0, hose_bore_mm=10.0))
    assert frozen.inlet_bar < 0 and "more than the atmosphere can give" in frozen.text()


def test_more_speed_less_bore_and_less_air_take_from_the_margin() -> None:
    base = suction_margin(SuctionLine(fluid_temperature_c=10.0)).margin_bar
    for worse in (
        {"pump_rpm": 1800.0},
        {"hose_bore_mm": 12.0},
        {"hose_length_m": 0.8},
        {"atmosphere_bar": 0.9},
        {"head_m": -0.3},
        {"viscosity_40_mm2_s": 46.0},
    ):
        assert suction_margin(SuctionLine(fluid_temperature_c=10.0, **worse)).margin_bar < base


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (SuctionLine(fluid_temperature_c=500.0), ["fluid_temperature_c", "got 500 C", "-45 to 150 C"]),
        (SuctionLine(20.0, hose_bore_mm=0.014), ["hose_bore_mm", "got 0.014 mm", "4 to 40 mm"]),
        (SuctionLine(math.nan), ["fluid_temperature_c"]),
        (SuctionLine(20.0, viscosity_40_mm2_s=7.0), ["belong to no fluid", "data sheet"]),
    ],
)
def test_impossible_lines_are_refused(line: SuctionLine, words: list[str]) -> None:
    with pytest.raises(UsageError) as caught:
        suction_margin(line)
    for word in words:
        assert word in str(caught.value)
