"""Order spectra by plain means, so that the simulation is not judged by the program's own analysis."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


def crank_turns(truth: dict[str, Any], time_s: Array) -> Array:
    """Crank turns since the start of the clip, from the truth's speed table."""
    table_s, rpm = np.array(truth["time_s"]), np.array(truth["rpm"])
    turns = np.concatenate([[0.0], np.cumsum((rpm[1:] + rpm[:-1]) / 120 * np.diff(table_s))])
    return np.interp(time_s, table_s, turns)


def order_spectrum(
    sound: Array, rate: int, truth: dict[str, Any], *, per_turn: int = 256
) -> tuple[Array, Array]:
    """Orders and amplitudes of a sound over the whole clip (Hann window, linear interpolation)."""
    time = np.arange(len(sound)) / rate
    turns = crank_turns(truth, time)
    even = np.arange(0, turns[-1], 1 / per_turn)
    by_angle = np.interp(np.interp(even, turns, time), time, sound)
    window = np.hanning(len(by_angle))
    amplitude = np.abs(np.fft.rfft((by_angle - by_angle.mean()) * window))
    return np.fft.rfftfreq(len(by_angle), 1 / per_turn), amplitude


def peak_order(orders: Array, amplitude: Array, low: float, high: float) -> float:
    """Order of the greatest amplitude between two orders."""
    inside = (orders >= low) & (orders <= high)
    return float(orders[inside][np.argmax(amplitude[inside])])
