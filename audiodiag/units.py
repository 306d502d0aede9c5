"""Engine speed, frequency, order, level and probability: the conversions that everything else uses.

An *order* is a number of events per crankshaft revolution. Levels are always relative: a phone is not a
calibrated meter, so no sound pressure level is ever claimed.
"""

from __future__ import annotations

import math

__all__ = [
    "TINY_POWER",
    "amplitude_to_db",
    "firing_order",
    "frequency_to_order",
    "order_to_frequency_hz",
    "percent",
    "power_to_db",
    "rpm_to_hz",
]

TINY_POWER = 1e-30
"""Power (full scale squared) below which a level is held at -300 dB."""


def rpm_to_hz(speed_rpm: float) -> float:
    """Turn revolutions a minute into revolutions a second.

    >>> rpm_to_hz(750.0)
    12.5
    """
    return speed_rpm / 60.0


def order_to_frequency_hz(order: float, speed_rpm: float) -> float:
    """Give the frequency of an order at a speed: ``f = order * rpm / 60``.

    >>> order_to_frequency_hz(12.0, 750.0)
    150.0
    """
    return order * speed_rpm / 60.0


def frequency_to_order(frequency_hz: float, speed_rpm: float) -> float:
    """Give the order of a frequency at a speed.

    >>> frequency_to_order(150.0, 750.0)
    12.0
    """
    return frequency_hz * 60.0 / speed_rpm


def firing_order(cylinders: int) -> float:
    """Give the firing order of a four-stroke engine, half its number of cylinders.

    >>> firing_order(5)
    2.5
    """
    return cylinders / 2.0


def power_to_db(power: float) -> float:
    """Turn a power ratio into decibels.

    >>> round(power_to_db(2.0), 4)
    3.0103
    """
    return 10.0 * math.log10(max(power, TINY_POWER))


def amplitude_to_db(amplitude: float) -> float:
    """Turn an amplitude ratio into decibels.

    >>> round(amplitude_to_db(2.0), 4)
    6.0206
    """
    return power_to_db(amplitude * amplitude)


def percent(probability: float) -> str:
    """Say a probability in whole per cent, without ever claiming certainty.

    >>> percent(0.634), percent(0.9999), percent(0.0004), percent(0.0)
    ('63 %', '> 99 %', '< 1 %', '< 1 %')
    """
    if not math.isfinite(probability):
        return "unknown"
    if probability > 0.994:
        return "> 99 %"
    return f"{100 * probability:.0f} %" if probability >= 0.01 else "< 1 %"
