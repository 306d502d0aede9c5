"""Parts to listen to: the sound of single orders alone, and the clip without them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.orders.angle import crank_angle
from audiodiag.orders.track import TrackedOrders
from audiodiag.records import FloatArray, read_only

__all__ = ["order_sound", "without_orders"]


def order_sound(
    tracked: TrackedOrders, time_s: ArrayLike, rpm: ArrayLike, *, rate_hz: float, length: int
) -> FloatArray:
    """Give the sound of tracked orders, all together, as samples.

    Parameters
    ----------
    tracked:
        What ``track_orders`` found.
    time_s, rpm:
        The speed over time with which it was found.
    rate_hz, length:
        Rate and number of the samples wanted.

    Returns
    -------
    float32, shape (length,), full scale is 1. Envelopes are joined by straight lines.

    >>> import numpy as np
    >>> from audiodiag.orders.track import track_orders
    >>> x = 0.2 * np.cos(2 * np.pi * 25 * np.arange(40000) / 8000)
    >>> found = track_orders(x, 8000, [0, 5], [750, 750], [2.0])
    >>> alone = order_sound(found, [0, 5], [750, 750], rate_hz=8000, length=40000)
    >>> bool(np.abs(alone - x)[8000:32000].max() < 0.001)
    True
    """
    seconds = np.arange(length) / rate_hz
    turned = crank_angle(time_s, rpm).rev_at(seconds)
    sound = np.zeros(length, dtype=np.float32)
    for order, envelope in zip(tracked.orders, tracked.envelope, strict=True):
        slow = np.interp(seconds, tracked.time_s, envelope)
        phase = 2.0 * np.pi * ((order * turned) % 1.0)
        sound += (slow.real * np.cos(phase) - slow.imag * np.sin(phase)).astype(np.float32)
    return read_only(sound)


def without_orders(
    samples: ArrayLike, rate_hz: float, tracked: TrackedOrders, time_s: ArrayLike, rpm: ArrayLike
) -> FloatArray:
    """Give the clip with the tracked orders taken out, float32, shape as ``samples``.

    Parameters as for :func:`order_sound`; ``samples``: shape (n,), full scale is 1.

    >>> import numpy as np
    >>> from audiodiag.orders.track import track_orders
    >>> x = 0.2 * np.cos(2 * np.pi * 25 * np.arange(40000) / 8000)
    >>> found = track_orders(x, 8000, [0, 5], [750, 750], [2.0])
    >>> bool(np.abs(without_orders(x, 8000, found, [0, 5], [750, 750]))[8000:32000].max() < 0.001)
    True
    """
    x = np.asarray(samples, dtype=np.float32)
    return read_only(x - order_sound(tracked, time_s, rpm, rate_hz=rate_hz, length=len(x)))
