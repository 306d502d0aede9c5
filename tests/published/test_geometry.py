"""Orders from geometry: bearings, vane pumps, belts; and the weighting curves."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.errors import VehicleError
from audiodiag.orders.bearings import bearing_orders
from audiodiag.orders.belt import belt_order
from audiodiag.orders.pump import pump_ripple_orders
from audiodiag.signal.weighting import weighting_db
from audiodiag.units import order_to_frequency_hz

# Two deep-groove test bearings: geometry in inches and multiples published by the CWRU Bearing Data Center;
# also Smith and Randall, MSSP 64-65 (2015) 100-131. The published rolling element figure is 2 BSF.
BEARINGS = {
    "6205": ({"balls": 9, "ball_diameter": 0.3126, "pitch_diameter": 1.537}, 5.4152, 3.5848, 0.39828, 4.7135),
    "6203": ({"balls": 8, "ball_diameter": 0.2656, "pitch_diameter": 1.122}, 4.9469, 3.0530, 0.3817, 3.9874),
}


@pytest.mark.parametrize("name", BEARINGS)
def test_bearing_multiples_published_by_cwru(name):
    geometry, inner, outer, cage, strike = BEARINGS[name]
    found = bearing_orders(**geometry)
    assert found.inner_race == pytest.approx(inner, abs=2e-4)
    assert found.outer_race == pytest.approx(outer, abs=2e-4)
    assert found.ball_strike == pytest.approx(strike, abs=4e-4)
    assert found.cage == pytest.approx(cage, abs=1e-4)


@pytest.mark.parametrize("name", BEARINGS)
def test_identities_of_bearing_orders(name):
    """Randall and Antoni, MSSP 25(2) (2011): BPFI + BPFO = n; BPFO = n FTF."""
    geometry = BEARINGS[name][0]
    found = bearing_orders(**geometry)
    assert found.inner_race + found.outer_race == pytest.approx(geometry["balls"])
    assert found.outer_race == pytest.approx(geometry["balls"] * found.cage)


@pytest.mark.parametrize(
    ("rpm", "inner_hz", "outer_hz", "cage_hz", "strike_hz"),
    [
        (1797, 162.19, 107.36, 11.93, 141.17),
        (1772, 159.93, 105.87, 11.76, 139.21),
        (1750, 157.94, 104.56, 11.62, 137.48),
        (1730, 156.14, 103.36, 11.48, 135.91),
    ],
)
def test_bearing_frequencies_at_the_four_speeds_of_cwru(rpm, inner_hz, outer_hz, cage_hz, strike_hz):
    found = bearing_orders(**BEARINGS["6205"][0])
    orders = (found.inner_race, found.outer_race, found.cage, found.ball_strike)
    frequencies = [order_to_frequency_hz(order, rpm) for order in orders]
    assert frequencies == pytest.approx([inner_hz, outer_hz, cage_hz, strike_hz], abs=0.011)


def test_bearing_of_the_mfpt_data_set():
    """MFPT Society fault data: 8 balls of 0.235 in on 1.245 in at 25 Hz: 118.875, 81.125, 63.91 Hz."""
    found = bearing_orders(balls=8, ball_diameter=0.235, pitch_diameter=1.245)
    frequencies = [25 * found.inner_race, 25 * found.outer_race, 25 * found.ball_spin]
    assert frequencies == pytest.approx([118.875, 81.125, 63.91], rel=1e-3)


def test_bearing_with_a_contact_angle():
    """Randall and Antoni (2011), equations for 8 balls of 2 cm on 12 cm at 15 degrees, 25 Hz."""
    found = bearing_orders(balls=8, ball_diameter=2, pitch_diameter=12, contact_angle_deg=15)
    assert [25 * found.outer_race, 25 * found.inner_race, 25 * found.cage] == pytest.approx(
        [83.901, 116.099, 10.488], abs=1e-3
    )


@pytest.mark.parametrize(
    ("vanes", "orders"), [(8, (8, 16)), (9, (18, 36)), (10, (10, 20)), (11, (22, 44)), (12, (12, 24))]
)
def test_ripple_of_a_balanced_vane_pump_with_odd_and_even_vanes(vanes, orders):
    """Geometry: identical pulses of two ports half a turn apart, added up here on their own."""
    turn = np.arange(4096) / 4096
    pulse = sum(
        np.exp(-0.5 * (((turn - (vane / vanes + port / 2) + 0.5) % 1.0 - 0.5) / 0.004) ** 2)
        for vane in range(vanes)
        for port in range(2)
    )
    lines = np.abs(np.fft.rfft(pulse))[1:60]
    present = 1 + np.flatnonzero(lines > 1e-6 * lines.max())
    assert tuple(present[:2]) == orders
    assert pump_ripple_orders(vanes, 1.0, count=2) == orders


def test_pump_of_ten_vanes_at_idle():
    """f = z n / 60: 10 vanes, ratio 1.2, 750 and 850 rpm give 150 and 170 Hz, order 12."""
    first = pump_ripple_orders(10, 1.2)[0]
    assert first == pytest.approx(12.0)
    assert order_to_frequency_hz(first, 750) == pytest.approx(150.0)
    assert order_to_frequency_hz(first, 850) == pytest.approx(170.0)


def test_belt_pass_frequency():
    """f = pi D n / (60 L): 150 mm, 2.1 m, 750 rpm give 2.8050 Hz."""
    assert order_to_frequency_hz(belt_order(150, 2100), 750) == pytest.approx(2.8050, abs=5e-5)


def test_impossible_geometry_is_refused_in_words():
    with pytest.raises(VehicleError, match="bearing of this geometry cannot be"):
        bearing_orders(balls=8, ball_diameter=2, pitch_diameter=1)
    with pytest.raises(VehicleError, match="pump of this kind cannot be"):
        pump_ripple_orders(0, 1.2)
    with pytest.raises(VehicleError, match="does not go round its pulley"):
        belt_order(150, 300)


# IEC 61672-1:2013, Table 3: A and C weighting at the exact frequencies 1000 · 10^(n/10), n = -20 to 13.
TABLE_A = (
    "-70.4 -63.4 -56.7 -50.5 -44.7 -39.4 -34.6 -30.2 -26.2 -22.5 -19.1 -16.1 -13.4 -10.9 -8.6 -6.6 -4.8 "
    "-3.2 -1.9 -0.8 0.0 0.6 1.0 1.2 1.3 1.2 1.0 0.5 -0.1 -1.1 -2.5 -4.3 -6.6 -9.3"
)
TABLE_C = (
    "-14.3 -11.2 -8.5 -6.2 -4.4 -3.0 -2.0 -1.3 -0.8 -0.5 -0.3 -0.2 -0.1 0.0 0.0 0.0 0.0 "
    "0.0 0.0 0.0 0.0 0.0 -0.1 -0.2 -0.3 -0.5 -0.8 -1.3 -2.0 -3.0 -4.4 -6.2 -8.5 -11.2"
)


@pytest.mark.parametrize(("curve", "table"), [("A", TABLE_A), ("C", TABLE_C)])
def test_weighting_of_iec_61672_1_table_3(curve, table):
    printed = [float(word) for word in table.split()]
    exact_hz = 1000 * 10 ** (np.arange(-20, 14) / 10)
    assert weighting_db(exact_hz, curve) == pytest.approx(printed, abs=0.0501)
    assert np.round(weighting_db(exact_hz, curve), 1) == pytest.approx(printed, abs=1e-9)
