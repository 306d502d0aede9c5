"""Engine speed from a channel of pulses: optical mark, clamp on an ignition lead, Hall or crank sensor.

Method: block-wise levels give two thresholds (hysteresis), upward crossings are placed between samples, a
refractory time drops ringing, and a walk from pulse to pulse numbers them: what comes too early is a double,
what is absent is counted over. The crank angle at the pulses is then fitted by a local cubic, whose slope is
the speed and whose residual gives the band. Ordinary least squares; no published source is followed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.errors import SpeedError
from audiodiag.records import FloatArray, Note, SpeedTrace, read_only
from audiodiag.speed.given import time_grid_s

__all__ = ["speed_from_pulses"]

SLOWEST_RPM = 200.0
"""Slowest speed that a pulse channel is read for."""
HALF_WINDOW_S = 0.25
"""Half the stretch over which the crank angle is fitted; longer where pulses are rare."""
MIN_PULSES = 8
FEWEST_SOUNDING = 3
"""Blocks that must carry something before the silent others are set aside."""
LONGEST_COUNT_S = 1.5
"""A stretch without pulses longer than this is unknown, not counted over."""
LONGEST_WEIGHT_S = 0.25
"""A long silence counts no more than this, so that a gap is not taken for the rhythm, seconds."""
BAND_FLOOR = 0.0005
"""Half-width that the band never falls below: sample clocks and edges are not perfect."""


@dataclass(frozen=True)
class _Pulses:
    """Numbered pulses: instants, running number, which unbroken stretch, and what was repaired."""

    time_s: FloatArray
    number: FloatArray
    stretch: FloatArray
    doubles: int
    missing: int


def speed_from_pulses(
    samples: FloatArray,
    rate_hz: int,
    *,
    pulses_per_rev: float,
    missing_teeth: int = 0,
    max_rpm: float = 8000.0,
    cylinders: int | None = None,
) -> SpeedTrace:
    """Read engine speed from a channel that carries pulses of the crankshaft.

    Parameters
    ----------
    samples:
        Shape (n,), any scale and polarity; narrow, ringing or square pulses.
    rate_hz:
        Samples a second.
    pulses_per_rev:
        Pulses in one turn of the crankshaft, 0.5 for one pulse in two turns. For a toothed wheel with missing
        teeth: the teeth as if none were missing (60 for "60 less 2").
    missing_teeth:
        How many are missing a turn, so that the gap is no fault.
    max_rpm:
        Pulses closer than this speed allows are taken for ringing.
    cylinders:
        Passed on to the trace if known.

    Returns
    -------
    SpeedTrace
        Source ``tach``; NaN where pulses fail for more than 1.5 s. The band holds the middle 90 % by the
        standard error of the fitted slope (Student's t), at least 0.05 % either way.

    Raises
    ------
    SpeedError
        If the channel carries no regular pulses, or pulses that give an impossible engine speed.

    Examples
    --------
    >>> pulses = np.zeros(8000 * 4, dtype=np.float32)
    >>> pulses[100::320] = 1.0
    >>> trace = speed_from_pulses(pulses, 8000, pulses_per_rev=2)
    >>> round(trace.median_rpm, 3)
    750.0
    """
    if not (0.25 <= pulses_per_rev <= 400) or not 0 <= missing_teeth < pulses_per_rev:
        raise SpeedError(
            "the number of pulses a turn cannot be used",
            got=f"{pulses_per_rev:g} pulses, {missing_teeth} missing",
            allowed="0.25 to 400 pulses a crankshaft turn, and fewer missing than there are",
            todo="count the marks or teeth; one pulse in two turns is 0.5",
        )
    channel = np.asarray(samples, dtype=np.float64)
    wanted = (rate_hz, pulses_per_rev, missing_teeth, max_rpm, cylinders)
    try:
        return _read(channel, *wanted)
    except SpeedError as refusal:
        try:
            return _read(channel, *wanted, in_parts=True)
        except SpeedError:
            raise refusal from None


def _read(
    samples: FloatArray,
    rate_hz: int,
    pulses_per_rev: float,
    missing_teeth: int,
    max_rpm: float,
    cylinders: int | None,
    *,
    in_parts: bool = False,
) -> SpeedTrace:
    """Read the pulses; in_parts: only the loud parts of a channel that is silent for most of the time."""
    duration_s = len(samples) / rate_hz
    edges_s = _edges_s(samples, rate_hz, pulses_per_rev, in_parts=in_parts)
    raw = len(edges_s)
    if raw >= MIN_PULSES and float(np.median(_local_period_s(edges_s))) < 60.0 / (max_rpm * pulses_per_rev):
        raise _no_pulses(f"{raw} crossings in {duration_s:.1f} s, too fast for {max_rpm:g} rpm")
    edges_s = _apart(edges_s, 60.0 / (max_rpm * pulses_per_rev))
    if len(edges_s) < MIN_PULSES:
        raise _no_pulses(f"{len(edges_s)} pulses in {duration_s:.1f} s")
    pulses = _numbered(edges_s, raw - len(edges_s))
    regular = _regularity(pulses, duration_s)
    if len(pulses.time_s) < MIN_PULSES or regular < 0.6:
        raise _no_pulses(f"{len(edges_s)} pulses of which {100 * regular:.0f} % follow a rhythm")
    time_s = time_grid_s(duration_s)
    rpm, half = _slope(pulses, time_s, pulses_per_rev)
    known = np.isfinite(rpm)
    if not known.any():
        raise _no_pulses("pulses too scattered to fit a speed")
    median_rpm = float(np.nanmedian(rpm))
    if not SLOWEST_RPM <= median_rpm <= max_rpm:
        raise SpeedError(
            "the pulses give an impossible engine speed",
            got=f"{median_rpm:.0f} rpm with {pulses_per_rev:g} pulses a turn",
            allowed=f"{SLOWEST_RPM:g} to {max_rpm:g} rpm",
            todo="check the number of pulses a turn and that this is the pulse channel",
        )
    half = np.maximum(half, BAND_FLOOR * rpm)
    repaired = (pulses.doubles + pulses.missing) / max(1, len(pulses.time_s))
    gaps = _reference_gaps(pulses, pulses_per_rev, missing_teeth)
    return SpeedTrace(
        source="tach",
        confidence=round(0.995 * regular, 4),
        time_s=read_only(time_s),
        rpm=read_only(rpm),
        rpm_low=read_only(rpm - half),
        rpm_high=read_only(rpm + half),
        instant_confidence=read_only(np.where(known, 0.995 * regular, 0.0)),
        cylinders=cylinders,
        cylinders_source="unknown" if cylinders is None else "entered",
        notes=_notes(pulses, repaired, max(0, pulses.missing - gaps), known, time_s),
    )


def _no_pulses(got: str) -> SpeedError:
    return SpeedError(
        "the channel carries no regular pulses",
        got=got,
        allowed=f"at least {MIN_PULSES} pulses with a steady rhythm, well above the noise",
        todo="choose the channel of the tachometer, check its lead, or let the speed be found by ear",
    )


def _edges_s(
    samples: FloatArray, rate_hz: int, pulses_per_rev: float, *, in_parts: bool = False
) -> FloatArray:
    """Give the instants at which the signal rises through its upper threshold, shape (edges,), seconds."""
    block = int(max(0.4, 1.2 * 60.0 / (SLOWEST_RPM * pulses_per_rev)) * rate_hz)
    count = len(samples) // block
    if count < 1:
        raise _no_pulses(f"only {len(samples) / rate_hz:.2f} s")
    blocks = samples[: count * block].reshape(count, block)
    middle = float(np.median(samples))
    highs, lows = blocks.max(axis=1), blocks.min(axis=1)
    sounding = _sounding(highs - lows) if in_parts else np.ones(count, bool)
    up, down = float(np.median(highs[sounding])) - middle, middle - float(np.median(lows[sounding]))
    if max(up, down) <= 1e-6:
        raise _no_pulses("a silent channel")
    if down > 1.25 * up:
        samples, highs, lows, middle = -samples, -lows, -highs, -middle
    # Levels follow the channel slowly: a single burst of noise in one block must not lift the threshold.
    smooth = np.array([np.median(highs[max(0, i - 2) : i + 3]) for i in range(count)]) - middle
    centre_s = (np.arange(count) + 0.5) * block
    least = 0.2 * np.median(smooth[sounding])
    height = np.interp(np.arange(len(samples)), centre_s, np.maximum(smooth, least))
    upper, lower = middle + 0.5 * height, middle + 0.2 * height
    state = np.zeros(len(samples), dtype=np.int8)
    state[samples >= upper] = 1
    state[samples <= lower] = -1
    marked = np.flatnonzero(state)
    if len(marked) == 0:
        return np.zeros(0)
    rising = np.flatnonzero((state[marked][1:] == 1) & (state[marked][:-1] == -1)) + 1
    after = marked[rising]
    before = after - 1
    step = samples[after] - samples[before]
    share = np.where(step > 0, (upper[after] - samples[before]) / np.where(step > 0, step, 1.0), 1.0)
    return (before + np.clip(share, 0.0, 1.0)) / rate_hz


def _sounding(swing: FloatArray) -> NDArray[np.bool_]:
    """Which blocks carry pulses, by how far each swings: the loud ones, where most are silent beside them.

    A lead that falls off, or is put on late, leaves most of a channel silent. Refused where too few are loud:
    a spike alone is no pulse.
    """
    loud = swing > 0.1 * swing.max()
    if not max(FEWEST_SOUNDING, 0.1 * len(swing)) <= loud.sum() < 0.5 * len(swing):
        raise _no_pulses("no part that stands out of a silent channel")
    return np.asarray(loud)


def _apart(edges_s: FloatArray, apart_s: float) -> FloatArray:
    """Drop every edge that follows the last kept one by less than ``apart_s``."""
    kept: list[float] = []
    for instant in edges_s.tolist():
        if not kept or instant - kept[-1] >= apart_s:
            kept.append(instant)
    return np.array(kept)


def _local_period_s(edges_s: FloatArray) -> FloatArray:
    """Give the period around every edge: the median interval weighted by time, so doubles hardly count."""
    intervals = np.diff(edges_s)
    half = 24
    periods = np.empty(len(edges_s))
    for index in range(len(edges_s)):
        near = np.sort(intervals[max(0, index - half) : index + half])
        total = np.cumsum(np.minimum(near, LONGEST_WEIGHT_S))
        periods[index] = near[np.searchsorted(total, 0.5 * total[-1])]
    return periods


def _numbered(edges_s: FloatArray, dropped: int) -> _Pulses:
    """Walk from pulse to pulse, leave doubles out and count over missing ones."""
    local_s = _local_period_s(edges_s)
    intervals = np.diff(edges_s)
    steady = np.abs(intervals / local_s[1:] - 1.0) < 0.15
    starts = np.flatnonzero(steady[:-1] & steady[1:])
    if len(starts) == 0:
        return _Pulses(np.zeros(0), np.zeros(0), np.zeros(0), 0, 0)
    kept, numbers, stretches = [int(starts[0])], [0], [0]
    doubles, missing = dropped, 0
    index, period_s = int(starts[0]), float(local_s[starts[0]])
    times = edges_s.tolist()
    while index + 1 < len(times):
        chosen, count = _next_pulse(times, index, period_s)
        if chosen < 0:
            later = starts[starts > index]
            if len(later) == 0:
                break
            index = int(later[0])
            period_s = float(local_s[index])
            kept.append(index)
            numbers.append(numbers[-1] + 1)
            stretches.append(stretches[-1] + 1)
            continue
        doubles += chosen - index - 1
        missing += count - 1
        measured_s = (times[chosen] - times[index]) / count
        period_s += 0.5 * (measured_s - period_s)
        period_s = min(max(period_s, 0.7 * local_s[chosen]), 1.4 * local_s[chosen])
        index = chosen
        kept.append(chosen)
        numbers.append(numbers[-1] + count)
        stretches.append(stretches[-1])
    return _Pulses(edges_s[kept], np.array(numbers, float), np.array(stretches, float), doubles, missing)


def _next_pulse(times: list[float], index: int, period_s: float) -> tuple[int, int]:
    """Find the next true pulse and how many periods it lies ahead; (-1, 0) where the rhythm is lost."""
    origin = times[index]
    longest = max(1, int(LONGEST_COUNT_S / period_s))
    position = index + 1
    for count in range(1, longest + 1):
        expected = origin + count * period_s
        room = 0.3 * period_s * min(1.6, math.sqrt(count))
        best, distance = -1, room
        while position < len(times) and times[position] < expected - room:
            position += 1
        ahead = position
        while ahead < len(times) and times[ahead] <= expected + room:
            if abs(times[ahead] - expected) < distance:
                best, distance = ahead, abs(times[ahead] - expected)
            ahead += 1
        if best >= 0:
            return best, count
        if position >= len(times):
            break
    return -1, 0


def _regularity(pulses: _Pulses, duration_s: float) -> float:
    """Give the share of the clip that the numbered pulses explain with neighbours of like period."""
    if len(pulses.time_s) < 3:
        return 0.0
    step_s = np.diff(pulses.time_s)
    count = np.diff(pulses.number)
    same = np.diff(pulses.stretch) == 0
    period_s = step_s / count
    change = np.abs(np.diff(period_s)) / period_s[1:]
    even = np.concatenate(([True], change < 0.12)) & np.concatenate((change < 0.12, [True]))
    explained_s = float(np.sum(step_s[same & even & (count <= 4)]))
    return min(1.0, explained_s / max(1e-9, min(duration_s, pulses.time_s[-1] - pulses.time_s[0])))


def _slope(pulses: _Pulses, time_s: FloatArray, pulses_per_rev: float) -> tuple[FloatArray, FloatArray]:
    """Fit the crank angle by a local cubic; give speed and half-width of its band at every instant, rpm."""
    rpm, half = np.full(len(time_s), np.nan), np.full(len(time_s), np.nan)
    typical_s = float(np.median(np.diff(pulses.time_s) / np.diff(pulses.number)))
    half_window_s = max(HALF_WINDOW_S, 3.5 * typical_s)
    for index, instant in enumerate(time_s.tolist()):
        first, last = np.searchsorted(pulses.time_s, (instant - half_window_s, instant + half_window_s))
        nearest = min(max(int(np.searchsorted(pulses.time_s, instant)), 1), len(pulses.time_s) - 1)
        left, right = pulses.time_s[nearest - 1], pulses.time_s[nearest]
        if right - left > LONGEST_COUNT_S or pulses.stretch[nearest] != pulses.stretch[nearest - 1]:
            continue
        # At the ends, and across counted gaps, the window reaches out until it holds enough pulses.
        while last - first < 6 and (first > 0 or last < len(pulses.time_s)):
            first, last = max(0, first - 1), min(len(pulses.time_s), last + 1)
        same = slice(first, last)
        use = pulses.stretch[same] == pulses.stretch[nearest]
        x, y = pulses.time_s[same][use] - instant, pulses.number[same][use] / pulses_per_rev
        if len(x) < 4 or x[0] > 2 * half_window_s or x[-1] < -2 * half_window_s:
            continue
        slope, spread = _fit(x, y)
        if slope > 0:
            rpm[index], half[index] = 60.0 * slope, 60.0 * spread
    return rpm, half


def _fit(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Give the slope at x = 0 of the fitted curve and the half-width of its 90 % band; sheds outliers."""
    reach = float(np.max(np.abs(x)))
    scaled = x / reach
    weight = np.ones(len(x), dtype=bool)
    slope = half = math.nan
    for _ in range(2):
        used = int(weight.sum())
        degree = (
            3 if used >= 7 and x.min() < -0.3 * reach and x.max() > 0.3 * reach else 2 if used >= 5 else 1
        )
        table = np.vander(scaled, degree + 1, increasing=True)
        normal = table[weight].T @ table[weight]
        inverse = np.linalg.pinv(normal)
        factors = inverse @ (table[weight].T @ y[weight])
        rest = y - table @ factors
        spare = max(1, used - degree - 1)
        variance = float(np.sum(rest[weight] ** 2)) / spare
        # Few pulses: the 95 % point of Student's t, to 1 % from 5 degrees of freedom on.
        student = 1.645 + 1.5 / spare + 1.5 / spare**2
        slope = float(factors[1]) / reach
        half = student * math.sqrt(max(0.0, variance * inverse[1, 1])) / reach
        spread = 1.4826 * float(np.median(np.abs(rest))) * math.sqrt(used / spare) + 1e-9
        outlier = np.abs(rest) > 5.0 * spread
        if not outlier.any() or used - int(outlier.sum()) < 6:
            break
        weight = ~outlier
    return slope, half


def _reference_gaps(pulses: _Pulses, pulses_per_rev: float, missing_teeth: int) -> int:
    """Give how many counted-over pulses the missing teeth of the wheel account for."""
    if missing_teeth == 0:
        return 0
    turns = (pulses.number[-1] - pulses.number[0]) / pulses_per_rev
    return math.ceil(turns) * missing_teeth


def _notes(
    pulses: _Pulses, repaired: float, missing: int, known: NDArray[np.bool_], time_s: FloatArray
) -> tuple[Note, ...]:
    text = f"Engine speed read from {len(pulses.time_s)} pulses"
    if pulses.doubles or missing:
        text += f"; {pulses.doubles} doubles (or ringing) left out, {missing} missing pulses counted over"
    notes = [Note("speed_from_pulses", text + ".", severity="info")]
    if repaired > 0.1 and missing > 0.05 * len(pulses.time_s):
        worn = "More than a twentieth of the pulses are missing: check lead, mark and sensor distance."
        notes.append(Note("pulses_missing", worn))
    if not known.all():
        blank = time_s[~known]
        text = f"No usable pulses during {0.1 * len(blank):.1f} s of the clip."
        notes.append(Note("pulses_gap", text, ((float(blank[0]), float(blank[-1])),)))
    return tuple(notes)
