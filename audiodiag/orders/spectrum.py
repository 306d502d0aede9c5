"""What sounds at each order: averaged order spectra, and order maps over time.

All powers are mean squares per line, amplitude-correct: a sine of rms a that sits on a line reads a². For
noise, divide by ``noise_lines`` times the spacing to get a density. Averaging after Welch (IEEE Trans. Audio
Electroacoustics 15(2), 1967, 70-73), window Hann.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import UsageError
from audiodiag.orders.angle import AngleSignal
from audiodiag.records import FloatArray, read_only

__all__ = ["HANN_NOISE_LINES", "OrderMap", "OrderSpectrum", "order_map", "order_spectrum"]

HANN_NOISE_LINES = 1.5
"""Equivalent noise bandwidth of the Hann window in lines (1.761 dB)."""


@dataclass(frozen=True, eq=False)
class OrderSpectrum:
    """Mean power per order.

    orders, power: shape (n,), events per crank revolution and mean square (full scale 1) per line.
    ``spacing``: distance of two lines in orders. ``averages``: blocks averaged.
    """

    orders: FloatArray
    power: FloatArray
    spacing: float
    averages: int
    noise_lines: float = HANN_NOISE_LINES

    @property
    def density(self) -> FloatArray:
        """Mean square per order, shape (n,): what to integrate over a band of orders."""
        return self.power / (self.noise_lines * self.spacing)

    def power_at(self, orders: ArrayLike, *, half_width_lines: int = 2) -> FloatArray:
        """Give the mean square of the sound at any orders, also between lines, shape as ``orders``.

        The lines within ``half_width_lines`` are summed and divided by the noise bandwidth, so a sine reads
        its own power wherever it lies between two lines (2 lines: within 0.03 dB).
        """
        return _around(self.power, self.spacing, orders, half_width_lines, self.noise_lines)


@dataclass(frozen=True, eq=False)
class OrderMap:
    """Power per order over time.

    orders: shape (n,). time_s, rev: shape (m,), middle of each block in seconds and in revolutions since the
    start of the clip. power: shape (m, n), mean square (full scale 1) per line.
    """

    orders: FloatArray
    time_s: FloatArray
    rev: FloatArray
    power: FloatArray
    spacing: float
    noise_lines: float = HANN_NOISE_LINES

    @property
    def rms(self) -> FloatArray:
        """Root mean square per line, shape (m, n)."""
        return np.sqrt(self.power)

    def power_at(self, orders: ArrayLike, *, half_width_lines: int = 2) -> FloatArray:
        """Give the mean square over time at any orders, shape (m,) or (m, k); see OrderSpectrum.power_at."""
        return _around(self.power, self.spacing, orders, half_width_lines, self.noise_lines)


def order_spectrum(
    angle: AngleSignal,
    *,
    resolution: float = 0.05,
    overlap: float = 0.5,
    spans_s: Iterable[tuple[float, float]] | None = None,
) -> OrderSpectrum:
    """Give the mean power of every order, averaged over the clip or over stretches of it.

    Parameters
    ----------
    resolution:
        Distance of two lines in orders; a block lasts ``1 / resolution`` revolutions. If the signal is
        shorter than a block, the block is the whole signal and the spacing grows.
    overlap:
        Share of a block that the next one repeats.
    spans_s:
        Stretches of the clip in seconds; only blocks whose middle lies in one of them count.

    Raises
    ------
    UsageError
        If the resolution or overlap is out of range, or no block lies in the spans.

    >>> import numpy as np
    >>> turn = np.arange(64 * 100) / 64
    >>> signal = AngleSignal(np.cos(2 * np.pi * 2 * turn), 64, 0.0, turn * 0.08, 28.0)
    >>> found = order_spectrum(signal, resolution=0.1)
    >>> round(float(found.orders[found.power.argmax()]), 6), round(float(found.power.max()), 6)
    (2.0, 0.5)
    """
    block = _block(angle, resolution, overlap)
    step = max(round(block * (1.0 - overlap)), 1)
    starts = np.arange(0, len(angle.values) - block + 1, step)
    if spans_s is not None:
        middle = angle.time_s[starts + block // 2]
        chosen = np.zeros(len(starts), dtype=bool)
        for start_s, end_s in spans_s:
            chosen |= (middle >= start_s) & (middle <= end_s)
        starts = starts[chosen]
    if len(starts) == 0:
        raise UsageError(
            "no block of the order spectrum lies in the stretches asked for",
            got="0 blocks",
            allowed=f"stretches with the middle of a block of {block / angle.samples_per_rev:g} revolutions",
            todo="ask for longer stretches or a coarser resolution",
        )
    power = np.zeros(block // 2 + 1)
    for piece in np.array_split(starts, max(1, len(starts) * block // 2_000_000)):
        power += _powers(angle.values, piece, block).sum(axis=0, dtype=float)
    spacing = angle.samples_per_rev / block
    keep = int(angle.max_order / spacing) + 1
    return OrderSpectrum(
        orders=read_only(np.arange(keep) * spacing),
        power=read_only(power[:keep] / len(starts)),
        spacing=spacing,
        averages=len(starts),
    )


def order_map(
    angle: AngleSignal,
    *,
    resolution: float = 0.25,
    overlap: float = 0.75,
    max_order: float | None = None,
) -> OrderMap:
    """Give the power of every order over time.

    Parameters
    ----------
    resolution:
        Distance of two lines in orders; a block lasts ``1 / resolution`` revolutions.
    overlap:
        Share of a block that the next one repeats.
    max_order:
        Highest order of the map, by default that of the signal.

    Raises
    ------
    UsageError
        If the resolution or overlap is out of range.

    >>> import numpy as np
    >>> turn = np.arange(64 * 100) / 64
    >>> signal = AngleSignal(np.cos(2 * np.pi * 2 * turn), 64, 0.0, turn * 0.08, 28.0)
    >>> found = order_map(signal)
    >>> found.power.shape == (len(found.time_s), len(found.orders)), round(float(found.rms[5, 8]), 4)
    (True, 0.7071)
    """
    block = _block(angle, resolution, overlap)
    starts = np.arange(0, len(angle.values) - block + 1, max(round(block * (1.0 - overlap)), 1))
    spacing = angle.samples_per_rev / block
    keep = int(min(angle.max_order, max_order or np.inf) / spacing) + 1
    middle = starts + block // 2
    return OrderMap(
        orders=read_only(np.arange(keep) * spacing),
        time_s=read_only(angle.time_s[middle]),
        rev=read_only(angle.start_rev + middle / angle.samples_per_rev),
        power=read_only(_powers(angle.values, starts, block)[:, :keep].copy()),
        spacing=spacing,
    )


def _block(angle: AngleSignal, resolution: float, overlap: float) -> int:
    """Samples of one block, an even number."""
    if not (0.0 < resolution <= angle.samples_per_rev / 4) or not 0.0 <= overlap < 1.0:
        raise UsageError(
            "the resolution or the overlap of an order spectrum is out of range",
            got=f"resolution {resolution:g}, overlap {overlap:g}",
            allowed=f"a resolution in (0, {angle.samples_per_rev / 4:g}] orders, an overlap in [0, 1)",
            todo="ask for values in that range",
        )
    return 2 * (min(round(angle.samples_per_rev / resolution), len(angle.values)) // 2)


def _powers(values: FloatArray, starts: NDArray[np.integer], block: int) -> FloatArray:
    """Amplitude-correct mean squares of the blocks at ``starts``, shape (len(starts), block // 2 + 1)."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(block) / block)
    window = (window / window.sum()).astype(values.dtype)
    blocks = np.lib.stride_tricks.sliding_window_view(values, block)[starts]
    lines = scipy.fft.rfft(blocks * window, axis=1)
    power = lines.real**2 + lines.imag**2
    power[:, 1:-1] *= 2.0
    return power


def _around(
    power: FloatArray, spacing: float, orders: ArrayLike, half_width: int, noise_lines: float
) -> FloatArray:
    """Sum of the lines around each order over the noise bandwidth, along the last axis."""
    middle = np.rint(np.asarray(orders, dtype=float) / spacing).astype(int)
    index = middle[..., np.newaxis] + np.arange(-half_width, half_width + 1)
    inside = (index >= 0) & (index < power.shape[-1])
    return (power[..., np.where(inside, index, 0)] * inside).sum(axis=-1) / noise_lines
