"""Single orders as sound, and a clip without them."""

from __future__ import annotations

import numpy as np

from audiodiag.orders.angle import resample_to_angle
from audiodiag.orders.listen import order_sound, without_orders
from audiodiag.orders.spectrum import order_spectrum
from audiodiag.orders.track import track_orders

RATE_HZ = 8000
TIME_S, RPM = [0.0, 10.0], [700.0, 1400.0]


def test_orders_taken_out_leave_the_others_as_they_were():
    t = np.arange(RATE_HZ * 10) / RATE_HZ
    turned = (700 * t + 35 * t**2) / 60
    kept = 0.3 * np.cos(2 * np.pi * 5 * turned)
    gone = 0.5 * np.cos(2 * np.pi * 2 * turned + 1) + 0.2 * np.cos(2 * np.pi * 12 * turned - 2)
    found = track_orders(kept + gone, RATE_HZ, TIME_S, RPM, [2.0, 12.0], bandwidth_hz=1.0)
    alone = order_sound(found, TIME_S, RPM, rate_hz=RATE_HZ, length=len(t))
    assert alone.dtype == np.float32
    middle = slice(RATE_HZ, 9 * RATE_HZ)
    assert np.abs(alone - gone)[middle].max() < 0.01
    rest = without_orders(kept + gone, RATE_HZ, found, TIME_S, RPM)
    spectrum = order_spectrum(resample_to_angle(rest[middle], RATE_HZ, [-1.0, 9.0], RPM))
    level_db = 10 * np.log10(spectrum.power_at([2.0, 5.0, 12.0]) / np.array([0.125, 0.045, 0.02]))
    assert level_db[1] > -0.05
    assert level_db[[0, 2]].max() < -40
