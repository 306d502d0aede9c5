"""Amplitude and phase of single orders over time: the second-generation Vold-Kalman filter.

Several orders are sought at once, also such that cross: their complex envelopes are the ones that explain
the sound best while being smooth. Sources: Vold and Leuridan, SAE 931288 (1993); Blough, SAE 2007 Noise and
Vibration Conference, 07NVC-254; bandwidth after Feldbauer and Höldrich, DAFx-2000.

An envelope is slow, so it is not sought at every sample but at knots, 64 a reciprocal bandwidth: every
sample is shared between its two neighbouring knots (hat windows), which folds sound from elsewhere into the
band by no more than -80 dB and keeps the equations well conditioned for three poles too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import UsageError
from audiodiag.orders.angle import crank_angle
from audiodiag.records import FloatArray, read_only
from audiodiag.signal.whole import WholeSpectrum, whole_spectrum

__all__ = ["TrackedOrders", "track_orders", "vold_kalman", "vold_kalman_weight"]

KNOTS_PER_BANDWIDTH = 64.0
RELATIVE_REST = 1e-6
MOST_ROUNDS = 300


@dataclass(frozen=True, eq=False)
class TrackedOrders:
    """Complex envelopes of orders: the sound is ``Re(sum of envelope · exp(2 pi i order revolutions))``.

    orders: shape (k,). time_s: shape (n,), seconds. envelope: complex, shape (k, n), peak amplitude (full
    scale 1) and phase against the crank angle since the start of the clip. ``bandwidth_hz``: two-sided
    half-power bandwidth. ``settle_s``: stretch at either end where the filter has only one side to look at.
    """

    orders: FloatArray
    time_s: FloatArray
    envelope: NDArray[np.complexfloating]
    bandwidth_hz: float
    poles: int

    @property
    def amplitude(self) -> FloatArray:
        """Peak amplitude, shape (k, n)."""
        return np.abs(self.envelope)

    @property
    def phase_rad(self) -> FloatArray:
        """Phase against the crank angle in (-pi, pi], shape (k, n)."""
        return np.angle(self.envelope)

    @property
    def settle_s(self) -> float:
        """Seconds at either end in which the envelope is less sure: the reciprocal of the bandwidth."""
        return 1.0 / self.bandwidth_hz


def vold_kalman_weight(bandwidth_hz: float, rate_hz: float, poles: int) -> float:
    """Give the weight r of smoothness for a two-sided half-power bandwidth B.

    ``r = sqrt(sqrt(2) - 1) / (2 sin(pi B / (2 fs)))^p``: the envelope response ``1 / (1 + r² (2 sin(pi f /
    fs))^(2 p))`` is ``1 / sqrt(2)`` at ``f = B / 2``. The sine form keeps its digits where the expanded
    cosine form loses them.

    >>> round(vold_kalman_weight(1.0, 1000.0, 2) * (1.0 / 1000.0) ** 2, 5)
    0.06521
    """
    return (
        math.sqrt(math.sqrt(2.0) - 1.0) / (2.0 * math.sin(math.pi * bandwidth_hz / (2.0 * rate_hz))) ** poles
    )


def track_orders(
    samples: ArrayLike | WholeSpectrum,
    rate_hz: float,
    time_s: ArrayLike,
    rpm: ArrayLike,
    orders: ArrayLike,
    *,
    bandwidth_hz: float = 2.0,
    poles: int = 2,
) -> TrackedOrders:
    """Follow the amplitude and phase of orders through a clip, all at once.

    Parameters
    ----------
    samples:
        Shape (n,), full scale is 1, or its whole spectrum.
    time_s, rpm:
        Speed over time, as for :func:`audiodiag.orders.angle.crank_angle`.
    orders:
        Shape (k,), sought jointly.
    bandwidth_hz:
        Two-sided half-power bandwidth of the envelopes.
    poles:
        1, 2 or 3: how steeply the filter falls.

    Raises
    ------
    UsageError
        If orders, bandwidth or poles are out of range; ClipError and SpeedError as for resampling.

    >>> import numpy as np
    >>> t = np.arange(40000) / 8000
    >>> found = track_orders(0.2 * np.cos(2 * np.pi * 25 * t + 0.5), 8000, [0, 5], [750, 750], [2.0])
    >>> mid = found.time_s.size // 2
    >>> round(float(found.amplitude[0, mid]), 4), round(float(found.phase_rad[0, mid]), 3)
    (0.2, 0.5)
    """
    wanted = np.atleast_1d(np.asarray(orders, dtype=float))
    whole = samples if isinstance(samples, WholeSpectrum) else whole_spectrum(samples, rate_hz)
    crank = crank_angle(time_s, rpm)
    end_s = (whole.length - 1) / whole.rate_hz
    top_hz = float(wanted.max(initial=0.0)) * float(np.max(crank.rpm_at(np.linspace(0, end_s, 500)))) / 60.0
    if len(wanted) == 0 or wanted.min() <= 0 or top_hz > 0.49 * whole.rate_hz:
        raise UsageError(
            "an order to follow lies outside the recording",
            got=f"orders {', '.join(f'{order:g}' for order in wanted)} up to {top_hz:.0f} Hz",
            allowed=f"orders above 0, up to {0.49 * whole.rate_hz:.0f} Hz",
            todo="ask for lower orders",
        )
    pass_hz = min(1.02 * top_hz + 4.0 * bandwidth_hz, whole.rate_hz / 2)
    stop_hz = min(1.2 * pass_hz + 10.0, whole.rate_hz / 2)
    low = whole.low_passed(pass_hz, stop_hz, 2.5 * stop_hz)
    seconds = low.time_s
    inside = (seconds >= 0.0) & (seconds <= end_s)
    seconds = seconds[inside]
    phase_rev = wanted[:, np.newaxis] * crank.rev_at(seconds)
    found = vold_kalman(
        np.asarray(low.values)[inside], low.rate_hz, phase_rev, bandwidth=bandwidth_hz, poles=poles
    )
    return TrackedOrders(
        orders=read_only(wanted),
        time_s=read_only(seconds[0] + found.time_s),
        envelope=found.envelope,
        bandwidth_hz=bandwidth_hz,
        poles=poles,
    )


def vold_kalman(
    values: ArrayLike, rate: float, phase_rev: ArrayLike, *, bandwidth: float, poles: int = 2
) -> TrackedOrders:
    """Give the complex envelopes of carriers whose phases are known.

    Parameters
    ----------
    values:
        Real, shape (n,).
    rate:
        Samples a second; or a revolution, for a signal over crank angle: then every second here reads
        "revolution" and the bandwidth is in orders.
    phase_rev:
        Shape (k, n), phase of each carrier in cycles.
    bandwidth:
        Two-sided half-power bandwidth, in the unit of ``rate``.
    poles:
        1, 2 or 3.

    Returns
    -------
    TrackedOrders with ``orders`` counting the carriers from 0 and ``time_s`` from the first sample.

    Raises
    ------
    UsageError
        If bandwidth, poles or shapes do not fit.

    >>> import numpy as np
    >>> cycles = np.arange(4000) * 0.05
    >>> found = vold_kalman(np.cos(2 * np.pi * cycles), 1000.0, cycles[np.newaxis], bandwidth=4.0)
    >>> round(float(found.amplitude[0, found.time_s.size // 2]), 4)
    1.0
    """
    x = np.asarray(values)
    cycles = np.atleast_2d(np.asarray(phase_rev, dtype=float))
    count, n = cycles.shape
    if poles not in (1, 2, 3) or not 0.0 < bandwidth <= rate / 4 or x.shape != (n,):
        raise UsageError(
            "the Vold-Kalman filter cannot be set up",
            got=f"{poles} poles, bandwidth {bandwidth:g}, {x.shape} values, {cycles.shape} phases",
            allowed=f"1 to 3 poles, a bandwidth up to {rate / 4:g}, one phase per carrier and value",
            todo="change the bandwidth or the poles",
        )
    per_knot = max(int(rate / (KNOTS_PER_BANDWIDTH * bandwidth)), 1)
    knots = max((n - 1) // per_knot + 1, poles + 2)
    carrier = np.exp(2j * np.pi * (cycles % 1.0))
    known = 2.0 * _shared(np.conj(carrier) * x, per_knot, knots)
    weight = _shared(np.ones(n), per_knot, knots).real
    cross = np.zeros((count, count, knots), dtype=complex)
    for row in range(count):
        for column in range(row + 1, count):
            cross[row, column] = _shared(np.conj(carrier[row]) * carrier[column], per_knot, knots)
            cross[column, row] = np.conj(cross[row, column])
    smooth = vold_kalman_weight(bandwidth, rate / per_knot, poles) ** 2
    return TrackedOrders(
        orders=read_only(np.arange(count, dtype=float)),
        time_s=read_only(np.arange(knots) * per_knot / rate),
        envelope=_solve(known, weight, smooth, poles, cross),
        bandwidth_hz=bandwidth,
        poles=poles,
    )


def _shared(values: NDArray, per_knot: int, knots: int) -> NDArray[np.complexfloating]:
    """Hat-window means of ``values`` (..., n) at every ``per_knot``-th sample, shape (..., knots)."""
    blocks = np.zeros((*values.shape[:-1], knots * per_knot), dtype=complex)
    kept = min(values.shape[-1], knots * per_knot)
    blocks[..., :kept] = values[..., :kept]
    blocks = blocks.reshape(*values.shape[:-1], knots, per_knot)
    falling = 1.0 - np.arange(per_knot) / per_knot
    # einsum, not @: matrix products of this shape go to threads that cost more than they carry.
    found = np.einsum("...j,j->...", blocks, falling / per_knot)
    found[..., 1:] += np.einsum("...j,j->...", blocks, (1.0 - falling) / per_knot)[..., :-1]
    return found


def _solve(
    known: NDArray[np.complexfloating],
    weight: FloatArray,
    smooth: float,
    poles: int,
    cross: NDArray[np.complexfloating],
) -> NDArray[np.complexfloating]:
    """Solve ``(weight + smooth D'D) a_k + sum over l of cross_kl a_l = known_k``, shape (k, knots).

    Conjugate gradients, preconditioned by the part that every order has for itself: one band matrix for
    all, exact at once where there is one order, and in a few rounds where orders hardly meet.
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded

    factor = cholesky_banded(smooth * _difference_bands(known.shape[1], poles) + _on_diagonal(weight, poles))

    def alone(values: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
        both = np.concatenate([values.real, values.imag]).T
        real, imaginary = np.split(cho_solve_banded((factor, False), both).T, 2)
        return real + 1j * imaginary

    def applied(values: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
        rough = np.diff(values, n=poles)
        for _ in range(poles):
            rough = -np.diff(rough, prepend=0.0, append=0.0)
        return weight * values + smooth * rough + np.einsum("kln,ln->kn", cross, values)

    found = alone(known)
    rest = known - applied(found)
    target = RELATIVE_REST**2 * _inner(known, known)
    better = alone(rest)
    step = better
    gain = _inner(rest, better)
    for _ in range(MOST_ROUNDS):
        if _inner(rest, rest) <= target:
            break
        moved = applied(step)
        length = gain / _inner(step, moved)
        found = found + length * step
        rest = rest - length * moved
        better = alone(rest)
        gain, last = _inner(rest, better), gain
        step = better + (gain / last) * step
    return found


def _inner(one: NDArray[np.complexfloating], two: NDArray[np.complexfloating]) -> float:
    """Real part of the inner product of two arrays of the same shape."""
    return float(np.sum(one.real * two.real + one.imag * two.imag))


def _difference_bands(knots: int, poles: int) -> FloatArray:
    """Upper diagonals of D'D, D being differences of order ``poles``, LAPACK form (poles + 1, knots)."""
    step = np.array([1.0])
    for _ in range(poles):
        step = np.convolve(step, [1.0, -1.0])
    bands = np.zeros((poles + 1, knots))
    for lag in range(poles + 1):
        for first in range(poles + 1 - lag):
            bands[poles - lag, lag + first : lag + first + knots - poles] += step[first] * step[first + lag]
    return bands


def _on_diagonal(weight: FloatArray, poles: int) -> FloatArray:
    """Put ``weight`` (knots,) on the diagonal of a band matrix, LAPACK form (poles + 1, knots)."""
    return np.concatenate([np.zeros((poles, len(weight))), weight[np.newaxis]])
