"""From time to crank angle: computed order tracking.

Sound is resampled so that a crank revolution always has the same number of samples, whatever the speed. A
part that makes k events a revolution then stays at order k. The method is computed order tracking (Fyfe and
Munck, Mechanical Systems and Signal Processing 11(2), 1997, 187-205) with two guards against aliasing: the
clip is band-limited in time before it is interpolated, and the low-pass that follows the speed is applied in
the angle domain, where it stands still: interpolate at a multiple of the wanted rate, low-pass by order,
keep every m-th sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import ClipError, SpeedError, UsageError
from audiodiag.records import FloatArray, SpeedTrace, read_only
from audiodiag.signal.whole import WholeSpectrum, whole_spectrum

__all__ = ["AngleSignal", "CrankAngle", "crank_angle", "resample_to_angle", "revolutions"]

SPLINE_ORDER: Final = 5
OVERSAMPLING = 6.0
TRANSITION = 1.12
MOST_MULTIPLE = 16


@dataclass(frozen=True, eq=False)
class CrankAngle:
    """The map between time and crank revolutions: speed is linear between its knots, constant outside.

    knot_s, knot_rpm, knot_rev: shape (k,), seconds, revolutions a minute, revolutions since the time 0 s.
    """

    knot_s: FloatArray
    knot_rpm: FloatArray
    knot_rev: FloatArray

    def rpm_at(self, time_s: ArrayLike) -> FloatArray:
        """Give the speed at any time, revolutions a minute, shape as ``time_s``."""
        return np.interp(np.asarray(time_s, dtype=float), self.knot_s, self.knot_rpm)

    def rev_at(self, time_s: ArrayLike) -> FloatArray:
        """Give the revolutions since 0 s at any time: the integral of rpm / 60, exact for linear speed."""
        t = np.asarray(time_s, dtype=float)
        k = np.clip(np.searchsorted(self.knot_s, t, side="right") - 1, 0, len(self.knot_s) - 1)
        dt = t - self.knot_s[k]
        return self.knot_rev[k] + dt * (self.knot_rpm[k] + 0.5 * self._slope()[k] * np.maximum(dt, 0)) / 60.0

    def time_at(self, rev: ArrayLike) -> FloatArray:
        """Give the time of any revolution, the inverse of :meth:`rev_at`, shape as ``rev``."""
        r = np.asarray(rev, dtype=float)
        k = np.clip(np.searchsorted(self.knot_rev, r, side="right") - 1, 0, len(self.knot_rev) - 1)
        turned = 60.0 * (r - self.knot_rev[k])
        root = np.sqrt(np.maximum(self.knot_rpm[k] ** 2 + 2.0 * self._slope()[k] * np.maximum(turned, 0), 0))
        return self.knot_s[k] + 2.0 * turned / (self.knot_rpm[k] + root)

    def _slope(self) -> FloatArray:
        """Slope behind every knot, rpm per second, 0 behind the last."""
        slope = np.zeros_like(self.knot_rpm)
        slope[:-1] = np.diff(self.knot_rpm) / np.diff(self.knot_s)
        return slope


@dataclass(frozen=True, eq=False)
class AngleSignal:
    """Sound with equal crank angle between samples.

    values: float, shape (n,), full scale is 1. time_s: shape (n,), when each sample sounded. Sample ``i``
    lies at ``start_rev + i / samples_per_rev`` revolutions since the start of the clip. Orders up to
    ``max_order`` are kept with gain 1, above they are removed.
    """

    values: FloatArray
    samples_per_rev: int
    start_rev: float
    time_s: FloatArray
    max_order: float

    @property
    def revolutions(self) -> FloatArray:
        """Crank revolutions since the start of the clip, shape (n,)."""
        return self.start_rev + np.arange(len(self.values)) / self.samples_per_rev

    @property
    def length_rev(self) -> float:
        """Length in revolutions."""
        return len(self.values) / self.samples_per_rev

    def time_at(self, rev: ArrayLike) -> FloatArray:
        """Give the time in seconds at any revolution inside the signal, shape as ``rev``."""
        index = (np.asarray(rev, dtype=float) - self.start_rev) * self.samples_per_rev
        return np.interp(index, np.arange(len(self.time_s)), self.time_s)


def crank_angle(time_s: ArrayLike, rpm: ArrayLike) -> CrankAngle:
    """Build the map between time and crank revolutions from a speed over time.

    Parameters
    ----------
    time_s, rpm:
        Shape (n,), seconds (rising) and revolutions a minute. Instants where rpm is NaN are bridged by a
        straight line; before the first and behind the last known instant the speed is held.

    Raises
    ------
    SpeedError
        If no instant is known, a speed is not above zero, or times do not rise.

    >>> turned = crank_angle([0.0, 10.0], [600.0, 1200.0])
    >>> float(turned.rev_at(10.0)), round(float(turned.time_at(150.0)), 9)
    (150.0, 10.0)
    """
    t = np.asarray(time_s, dtype=float)
    r = np.asarray(rpm, dtype=float)
    if t.shape != r.shape or t.ndim != 1:
        raise SpeedError(
            "times and speeds do not belong together",
            got=f"{t.shape} times and {r.shape} speeds",
            allowed="two rows of the same length",
            todo="give one speed for every time",
        )
    known = np.isfinite(r) & np.isfinite(t)
    t, r = t[known], r[known]
    if len(t) == 0:
        raise SpeedError(
            "the engine speed is not known at any instant",
            got="no finite speed",
            allowed="at least one instant with a speed",
            todo="state the speed, or record with the engine louder",
        )
    if not (r > 0).all():
        raise SpeedError(
            "an engine speed is not above zero",
            got=f"{r.min():g} rpm",
            allowed="speeds above 0 rpm",
            todo="leave out the instants at which the engine stands",
        )
    if not (np.diff(t) > 0).all():
        raise SpeedError(
            "the times of the speeds do not rise",
            got="a time that is not later than the one before",
            allowed="rising times in seconds",
            todo="sort the table by time",
        )
    steps = 0.5 * (r[1:] + r[:-1]) * np.diff(t) / 60.0
    rev = np.concatenate([[0.0], np.cumsum(steps)])
    raw = CrankAngle(t, r, rev)
    return CrankAngle(read_only(t), read_only(r), read_only(rev - raw.rev_at(0.0)))


def revolutions(speed: SpeedTrace, time_s: ArrayLike) -> FloatArray:
    """Give the crank revolutions since the start of the clip at any time, shape as ``time_s``.

    The integral of rpm / 60; gaps of the speed are bridged by straight lines (see :func:`crank_angle`, which
    raises the errors).

    >>> import numpy as np
    >>> one = np.array([0.0, 8.0])
    >>> rpm = np.array([750.0, 750.0])
    >>> trace = SpeedTrace("entered", 1.0, one, rpm, rpm, rpm, np.ones(2))
    >>> revolutions(trace, [0.0, 4.0]).tolist()
    [0.0, 50.0]
    """
    return crank_angle(speed.time_s, speed.rpm).rev_at(time_s)


def resample_to_angle(
    samples: ArrayLike | WholeSpectrum,
    rate_hz: float,
    time_s: ArrayLike,
    rpm: ArrayLike,
    *,
    samples_per_rev: int = 256,
    max_order: float | None = None,
) -> AngleSignal:
    """Resample a clip so that every crank revolution has the same number of samples.

    Parameters
    ----------
    samples:
        Shape (n,), full scale is 1; or its :class:`~audiodiag.signal.whole.WholeSpectrum`, where that has
        been made already.
    rate_hz:
        Sample rate of ``samples``.
    time_s, rpm:
        Speed over time, as for :func:`crank_angle`.
    samples_per_rev:
        Samples a revolution of the result.
    max_order:
        Highest order kept with gain 1, by default 0.44 of ``samples_per_rev``. The gain falls to nothing at
        1.12 times that. Where the speed is so low that an order lies above half the clip's rate, it is empty.

    Raises
    ------
    ClipError, SpeedError
        If there is no sound or no speed.
    UsageError
        If the orders do not fit into the samples a revolution.

    Source: computed order tracking, Fyfe and Munck (1997), see the module. Interpolation: quintic B-spline
    with its transform divided out, so the gain in the pass band is 1 and images stay below -80 dB. Nothing
    folds back as long as the speed varies less than thirtyfold within the clip.

    >>> import numpy as np
    >>> t = np.arange(48000) / 8000.0
    >>> angle = resample_to_angle(np.cos(2 * np.pi * 25 * t), 8000, [0, 6], [750, 750], samples_per_rev=64)
    >>> angle.samples_per_rev, round(angle.length_rev), round(float(angle.values[0]), 2)
    (64, 75, 1.0)
    """
    top = 0.44 * samples_per_rev if max_order is None else float(max_order)
    if samples_per_rev < 4 or not 0 < top * TRANSITION <= samples_per_rev / 2:
        raise UsageError(
            "the highest order does not fit into the samples a revolution",
            got=f"order {top:g} with {samples_per_rev} samples a revolution",
            allowed=f"orders up to {samples_per_rev / 2 / TRANSITION:.4g}",
            todo="ask for more samples a revolution or a lower order",
        )
    whole = samples if isinstance(samples, WholeSpectrum) else whole_spectrum(samples, rate_hz)
    crank = crank_angle(time_s, rpm)
    end_s = (whole.length - 1) / whole.rate_hz
    last_rev = float(crank.rev_at(end_s))
    inside = crank.rpm_at(np.append(crank.knot_s[(crank.knot_s > 0) & (crank.knot_s < end_s)], [0.0, end_s]))
    fast, slow = float(inside.max()) / 60.0, float(inside.min()) / 60.0
    pass_hz = min(top * fast, 0.5 * whole.rate_hz)
    stop_hz = min(top * TRANSITION * fast, 0.5 * whole.rate_hz)
    band = whole.low_passed(pass_hz, stop_hz, OVERSAMPLING * stop_hz, spline_order=SPLINE_ORDER)
    # What is still there at the slowest instant folds back at (rate - order): keep that above the pass band.
    multiple = min(math.ceil((top * TRANSITION + stop_hz / slow) / samples_per_rev), MOST_MULTIPLE)
    count = math.floor(last_rev * samples_per_rev) + 1
    if count < 8:
        raise ClipError(
            "the clip holds less than a part of a crank revolution",
            got=f"{last_rev:.3g} revolutions",
            allowed=f"more than {8 / samples_per_rev:.3g} revolutions",
            todo="record a longer clip",
        )
    fine = np.arange((count - 1) * multiple + 1) / (samples_per_rev * multiple)
    moment = crank.time_at(fine)
    values = _spline(band.values, (moment - band.start_s) * band.rate_hz)
    if multiple > 1:
        values = _keep_orders(values, samples_per_rev * multiple, top)[::multiple]
    return AngleSignal(
        values=read_only(np.ascontiguousarray(values)),
        samples_per_rev=samples_per_rev,
        start_rev=0.0,
        time_s=read_only(np.ascontiguousarray(moment[::multiple])),
        max_order=top,
    )


def _spline(coefficients: NDArray[Any], position: FloatArray) -> FloatArray:
    """Evaluate the quintic B-spline with these coefficients at fractional positions, shape as those."""
    from scipy import ndimage

    place: Any = position[np.newaxis]

    values: NDArray[Any] = np.empty(position.shape, dtype=coefficients.dtype)
    ndimage.map_coordinates(
        coefficients, place, output=values, order=SPLINE_ORDER, mode="nearest", prefilter=False
    )
    return values


def _keep_orders(values: FloatArray, samples_per_rev: int, top: float) -> FloatArray:
    """Low-pass in the angle domain: gain 1 up to the order ``top``, 0 from 1.12 times that."""
    whole = whole_spectrum(values, samples_per_rev, pad_s=1.0)
    size = whole.padded_length
    orders = np.arange(len(whole.lines)) * whole.spacing_hz
    share = np.clip((orders / top - 1.0) / (TRANSITION - 1.0), 0.0, 1.0)
    gain = (0.5 + 0.5 * np.cos(np.pi * share)).astype(values.dtype)
    return scipy.fft.irfft(whole.lines * gain, size)[whole.pad : whole.pad + whole.length]
