"""Which share of the sound over crank angle belongs to the engine's orders, and which to the pump's?

The sound is resampled to crank angle and cut into frames of some 48 revolutions. In every frame the power
over order is explained by lines of known shape at the half orders (engine), at the pump's orders, and by a
floor between them; each explanation's share of the model is its mask (Wiener's filter, 1949, in the form
common in source separation: Vincent, Gribonval and Fevotte, IEEE Trans. Audio, Speech and Language Processing
14(4), 2006, from memory). Lines grow wider with their order by the uncertainty of the speed. Where a pump
order falls onto a half order, the engine is given what its neighbouring half orders make likely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.orders.angle import CrankAngle, crank_angle, resample_to_angle
from audiodiag.orders.short_time import frame_spectra, from_spectra, good_length
from audiodiag.records import FloatArray, read_only
from audiodiag.signal.whole import whole_spectrum

__all__ = ["OrderMasks", "OrderSounds", "order_masks"]

FRAME_REV = 48.0
"""Length of a frame: lines of 1/48 order apart from their neighbours half an order away."""
FRAMES_AT_LEAST = 2.5
HIGHEST_ORDER = 160.0
ORDER_JITTER = 0.0006
"""How much wider a line gets with its order, as a share of it, where the speed says nothing (assumed)."""
PUMP_JITTER = 0.0025
"""The same for the pump's lines, whose belt creeps under load by up to some 0.5 % (assumed)."""
FLOOR_WEIGHT = 1.6
"""The floor is counted this many times, so that its peaks do not pass for lines."""
ROUNDS = 24
REACH = 6.0
MARGIN = 1.5
"""A half order that a pump order meets may be this much stronger than its neighbours make likely."""


@dataclass(frozen=True, eq=False)
class OrderSounds:
    """Sound of the engine's half orders and of the pump's orders, shape (n,) each."""

    engine: FloatArray
    pump: FloatArray


@dataclass(frozen=True, eq=False)
class OrderMasks:
    """Masks over crank angle: engine, pump: shape (frames, lines), each 0 to 1, together at most 1.

    ``frame``: samples a frame of the signal over angle. Splitting is linear: the same masks can be laid over
    any sound that was recorded together with the one from which they were found.
    """

    engine: FloatArray
    pump: FloatArray
    frame: int
    samples_per_rev: int
    max_order: float
    crank: CrankAngle

    def split(self, samples: FloatArray, rate_hz: float) -> OrderSounds:
        """Give what the masks let through of a sound, shape (n,) each."""
        length = len(samples)
        angle = resample_to_angle(
            samples,
            rate_hz,
            self.crank.knot_s,
            self.crank.knot_rpm,
            samples_per_rev=self.samples_per_rev,
            max_order=self.max_order,
        )
        spectra = frame_spectra(angle.values, self.frame)
        at_rev = self.crank.rev_at(np.arange(length) / rate_hz) * self.samples_per_rev
        engine = from_spectra(spectra * self.engine, self.frame, len(angle.values))
        if not self.pump.any():
            return OrderSounds(_at(engine, at_rev), np.zeros(length, np.float32))
        pump = from_spectra(spectra * self.pump, self.frame, len(angle.values))
        return OrderSounds(_at(engine, at_rev), _at(pump, at_rev))


def _at(values: FloatArray, place: FloatArray) -> FloatArray:
    """Values of a well oversampled signal at fractional places, by quintic splines, shape as the places."""
    from scipy.ndimage import map_coordinates

    place_2d = place[np.newaxis]
    return np.asarray(
        map_coordinates(values.astype(np.float64), place_2d, order=5, mode="mirror"), np.float32
    )


def order_masks(
    samples: FloatArray,
    rate_hz: float,
    time_s: FloatArray,
    rpm: FloatArray,
    *,
    pump_orders: tuple[float, ...] = (),
    jitter: float = ORDER_JITTER,
    cylinders: int | None = None,
    frame_rev: float = FRAME_REV,
) -> OrderMasks:
    """Find the masks of engine and pump.

    Parameters
    ----------
    samples:
        Shape (n,), full scale is 1.
    rate_hz:
        Sample rate.
    time_s, rpm:
        Speed over time, as for :func:`audiodiag.orders.angle.crank_angle`, which raises the errors.
    pump_orders:
        Orders of the pump's tones, per crank turn.
    jitter:
        Relative uncertainty of the speed from revolution to revolution: how much wider than its frame makes
        it a line is, as a share of its order.
    cylinders:
        Which half orders are firing orders, if known.
    frame_rev:
        Length of a frame in revolutions; shorter where the clip is.

    >>> t = np.arange(80000) / 8000
    >>> both = np.cos(2 * np.pi * 25 * t) + 0.5 * np.cos(2 * np.pi * 12.5 * 11.77 * t)
    >>> masks = order_masks(both, 8000, np.array([0, 10]), np.array([750, 750]), pump_orders=(11.77,))
    >>> found = masks.split(both, 8000)
    >>> round(float(np.std(found.engine)), 2), round(float(np.std(found.pump)), 2)
    (0.7, 0.35)
    """
    crank = crank_angle(time_s, rpm)
    end_s = (len(samples) - 1) / rate_hz
    slowest = float(np.min(crank.rpm_at(np.linspace(0.0, end_s, 500)))) / 60.0
    top = float(np.clip(0.4 * rate_hz / slowest, 8.0, HIGHEST_ORDER))
    per_rev = int(scipy.fft.next_fast_len(int(np.ceil(top * 2.6))))
    angle = resample_to_angle(
        whole_spectrum(samples, rate_hz),
        rate_hz,
        crank.knot_s,
        crank.knot_rpm,
        samples_per_rev=per_rev,
        max_order=top,
    )
    frame = good_length(min(frame_rev, angle.length_rev / FRAMES_AT_LEAST) * per_rev)
    power = np.abs(frame_spectra(angle.values, frame)) ** 2
    orders = np.arange(power.shape[1]) * per_rev / frame
    half = np.arange(0.5, top - 0.5, 0.5)
    pump = np.array([order for order in pump_orders if 0.75 < order < top - 0.5])
    lines = np.concatenate([half, pump])
    doubt = np.where(np.arange(len(lines)) < len(half), jitter, np.hypot(jitter, PUMP_JITTER))
    width = np.hypot(1.25 * per_rev / frame, doubt * lines)
    floor = _floor(power, orders, lines, width)
    smooth = (power + np.roll(power, 1, axis=0) + np.roll(power, -1, axis=0)) / 3.0
    engine_model, pump_model = _explained(smooth, orders, lines, width, floor, len(half), cylinders)
    total = np.maximum(engine_model + pump_model + FLOOR_WEIGHT * floor, np.maximum(smooth * 1e-6, 1e-30))
    return OrderMasks(
        engine=read_only((engine_model / total).astype(np.float32)),
        pump=read_only((pump_model / total).astype(np.float32)),
        frame=frame,
        samples_per_rev=per_rev,
        max_order=top,
        crank=crank,
    )


def _floor(power: FloatArray, orders: FloatArray, lines: FloatArray, width: FloatArray) -> FloatArray:
    """Power between the lines, shape as ``power``: medians off the lines in cells half an order wide."""
    step = orders[1] - orders[0]
    nearest = np.clip(np.searchsorted(np.sort(lines), orders), 1, len(lines) - 1)
    ordered = np.sort(lines)
    away = np.minimum(np.abs(orders - ordered[nearest - 1]), np.abs(orders - ordered[nearest]))
    wide = np.interp(orders, ordered, width[np.argsort(lines)])
    off = away > np.minimum(3.0 * wide, 0.16)
    per_cell = max(round(0.5 / step), 2)
    cells = -(-len(orders) // per_cell)
    level = np.empty((len(power), cells))
    for cell in range(cells):
        part = slice(cell * per_cell, (cell + 1) * per_cell)
        mine = power[:, part][:, off[part]] if off[part].any() else power[:, part]
        level[:, cell] = np.median(mine, axis=1) / np.log(2.0)
    middle = np.minimum((np.arange(cells) + 0.5) * 0.5, orders[-1])
    logs = np.log(np.maximum(level, 1e-30))
    return np.exp(np.stack([np.interp(orders, middle, row) for row in logs]))


def _explained(
    power: FloatArray,
    orders: FloatArray,
    lines: FloatArray,
    width: FloatArray,
    floor: FloatArray,
    engine_count: int,
    cylinders: int | None,
) -> tuple[FloatArray, FloatArray]:
    """Model powers of engine and pump, shape as ``power``: heights by updates for the divergence.

    Source: Lee and Seung, "Algorithms for non-negative matrix factorization" (NIPS 2000), from memory.
    """
    from scipy.sparse import csr_array

    step = orders[1] - orders[0]
    rows, columns, values = [], [], []
    for number, (line, wide) in enumerate(zip(lines, width, strict=True)):
        first, last = int((line - REACH * wide) / step) + 1, int((line + REACH * wide) / step) + 1
        index = np.arange(max(first, 0), min(last, len(orders)))
        rows.append(np.full(len(index), number))
        columns.append(index)
        values.append((1.0 + ((orders[index] - line) / wide) ** 2) ** -3.0)
    shape = csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(len(lines), len(orders)),
    )
    weight = np.asarray(shape.sum(axis=1))
    height = np.asarray((shape @ power.T).T) / weight
    most = _most_where_met(height, lines, width, engine_count, cylinders)
    for _ in range(ROUNDS):
        height[:, :engine_count] = np.minimum(height[:, :engine_count], most)
        model = np.asarray((shape.T @ height.T).T) + floor
        height *= np.asarray((shape @ (power / np.maximum(model, 1e-30)).T).T) / weight
    height[:, :engine_count] = np.minimum(height[:, :engine_count], most)
    engine = np.asarray((shape[:engine_count].T @ height[:, :engine_count].T).T)
    pump = np.asarray((shape[engine_count:].T @ height[:, engine_count:].T).T)
    return engine, pump


def _most_where_met(
    height: FloatArray, lines: FloatArray, width: FloatArray, engine_count: int, cylinders: int | None
) -> FloatArray:
    """Most that a half order may have, shape (frames, half orders): the likely where a pump order meets it.

    Likely is the median of its neighbours, and of the neighbouring firing orders for a firing order.
    """
    most = np.full((len(height), engine_count), np.inf)
    for order, wide in zip(lines[engine_count:], width[engine_count:], strict=True):
        for number in np.flatnonzero(np.abs(lines[:engine_count] - order) < 2.0 * wide):
            steps = [1, 2, 3]
            if cylinders and (number + 1) % cylinders == 0:
                steps = [cylinders]
            near = [n for s in steps for n in (number - s, number + s) if 0 <= n < engine_count]
            if near:
                logs = np.log(np.maximum(height[:, near], 1e-30))
                most[:, number] = np.minimum(most[:, number], MARGIN * np.exp(np.median(logs, axis=1)))
    return most
