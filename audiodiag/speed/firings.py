"""Firings laid in rows: how many cylinders has an engine whose firing rate is known?

No two cylinders sound alike: their strokes differ in strength and in timbre, their valves and injectors tick
each in its own way. Cut into firing intervals, laid one below the other, the sound of an engine of N
cylinders therefore repeats every N rows, in some band at least. Each row is described by how loud many bands
are in each part of the interval and by the shape of the low sound; over the rows this table has a spectrum,
with lines at the multiples of 1/N. Readings that fire alike differ in nothing else, and the lines of all
orders and bands come together in these few: far fainter differences are heard than in one band's half
orders.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from audiodiag.records import FloatArray
from audiodiag.signal.powers import hann, power_spectra, windows_at
from audiodiag.speed.front import Baseband
from audiodiag.speed.plain import weights_of

__all__ = [
    "CYLINDERS", "LINE_PLACES", "NUMBER_FEATURES", "FiringModel", "Swells", "describe_numbers",
    "firing_model_from_plain", "firing_model_to_plain", "row_lines", "swells",
]  # fmt: skip

CYLINDERS = (3, 4, 5, 6, 8)
"""Numbers of cylinders that are told apart."""
BAND_EDGES_HZ: FloatArray = np.geomspace(100.0, 16000.0, 13)
WINDOW_S, STEP_S = 0.006, 0.0015
PARTS, LOW_PARTS, FINER = 8, 16, 3
"""Parts of a firing interval in which bands and low sound are described; each is a mean of so many values."""
LOW_HZ = (20.0, 400.0)
LINE_PLACES = tuple(sorted({Fraction(k, n) for n in CYLINDERS for k in range(1, n // 2 + 1)}))
"""Where lines may stand, in cycles a firing: all multiples of 1/N up to one half."""
LEAST_ROWS, TREND_ROWS = 48, 25
KEPT_SHAPES, KEPT_LOW_SHAPES = 40, 12
"""The table is taken apart into so many shapes that go their own ways, each counting alike."""
AROUND, FEWEST_AROUND, LOWEST_PLACE = 0.06, 20, 0.06
LEAST_SCATTER = 0.03
LEAST_SCORE, MOST_SCORE = -2.0, 8.0
SWELLS_AT_ONCE = 4000
"""How many spectra are held at a time."""
OWN_LINES = np.array([[n % place.denominator == 0 for place in LINE_PLACES] for n in CYLINDERS])
"""Which lines an engine of each number of cylinders may show, shape (``CYLINDERS``, ``LINE_PLACES``)."""
_HEIGHTS = ("own_sum", "others_sum", "own_least", "own_most", "others_most")
NUMBER_FEATURES = (
    *(f"{sound}_{name}" for sound in ("bands", "low") for name in _HEIGHTS),
    "mean_own_least", "mean_others_most",
    *(f"{n}_cylinders{by}" for n in CYLINDERS for by in ("", "_by_firing", "_by_firing_squared")),
)  # fmt: skip
"""Names of what ``describe_numbers`` gives."""
BEFORE_COUNTS, ROWS_COUNT = 0.5, 0.7
"""How much the logarithms of what was thought before, and of what the rows say, count together."""
LEAST_BEFORE = 1e-4
"""Added to what was thought before, so that nothing is ruled out."""


@dataclass(frozen=True, eq=False)
class Swells:
    """How loud each band is at each moment, nats about its mean: shape (frames, bands), step in seconds."""

    levels: FloatArray
    step_s: float = STEP_S

    def at(self, when_s: FloatArray) -> FloatArray:
        """Give the levels between the moments, at any times in seconds, shape (n, bands); held at the ends.

        >>> Swells(np.array([[0.0], [3.0]], np.float32), 0.5).at(np.array([-1.0, 0.25, 9.0]))[:, 0].tolist()
        [0.0, 1.5, 3.0]
        """
        place = np.clip(when_s / self.step_s, 0.0, len(self.levels) - 1)
        first = np.minimum(place.astype(np.intp), max(len(self.levels) - 2, 0))
        found = self.levels.take(np.minimum(first + 1, len(self.levels) - 1), axis=0)
        below = self.levels.take(first, axis=0)
        found -= below
        found *= (place - first).astype(np.float32)[:, None]
        found += below
        return found


def swells(samples: FloatArray, rate_hz: float) -> Swells:
    """Give the level of the bands between ``BAND_EDGES_HZ`` every ``STEP_S``.

    samples: shape (n,), at ``rate_hz``. Bands that the sampling rate does not reach are left out.

    >>> swells(np.random.default_rng(1).normal(size=16000), 16000.0).levels.shape
    (666, 10)
    """
    window = max(8, int(WINDOW_S * rate_hz))
    size = scipy.fft.next_fast_len(window, real=True)
    count = int(len(samples) / rate_hz / STEP_S)
    starts = np.round(np.arange(count) * STEP_S * rate_hz).astype(int)
    padded = np.pad(np.asarray(samples, np.float32), (window // 2, window))
    place_hz = np.arange(size // 2 + 1) * rate_hz / size
    shape = hann(window)
    edges = BAND_EDGES_HZ[0.49 * rate_hz > BAND_EDGES_HZ]
    found = np.zeros((count, max(len(edges) - 1, 0)), np.float32)
    parts = []
    for low, high in pairwise(edges):
        first, last = np.searchsorted(place_hz, (low, high))
        if first == last:
            first = int(np.argmin(np.abs(place_hz - np.sqrt(low * high))))
        parts.append(slice(int(first), max(int(last), int(first) + 1)))
    for start in range(0, count, SWELLS_AT_ONCE):
        here = slice(start, start + SWELLS_AT_ONCE)
        power = power_spectra(windows_at(padded, starts[here], window), shape, size)
        for band, part in enumerate(parts):
            found[here, band] = power[:, part].sum(axis=1)
    mean = found.mean(axis=0) + 1e-30 if count else np.ones(found.shape[1])
    return Swells(np.log(found / mean + 1e-3).astype(np.float32))


def row_lines(sound: Swells, low: Baseband, time_s: FloatArray, firing_hz: FloatArray) -> FloatArray | None:
    """Give the height of the lines over the rows, None for too few firings.

    Returns shape (2 * ``LINE_PLACES`` + 1,): lines of the bands, of the low sound, and the natural logarithm
    of the usual firing rate over 25 Hz.

    sound: from ``swells``. low: the low sound of the same clip. time_s, firing_hz: the firing rate over time,
    shape (n,). Heights are in standard deviations of the places around each line, held between
    ``LEAST_SCORE`` and ``MOST_SCORE``.

    >>> quiet = Swells(np.zeros((100, 4), np.float32))
    >>> row_lines(quiet, Baseband(np.zeros(360), 2400.0), np.arange(3) / 20, np.full(3, 30.0)) is None
    True
    """
    at = np.linspace(time_s[0], time_s[-1], 20 * len(time_s))
    rate = np.interp(at, time_s, firing_hz)
    fired = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(at))])
    rows = int(fired[-1]) - 1
    if rows < LEAST_ROWS:
        return None
    when = np.interp((np.arange(rows * PARTS * FINER) + 0.5) / (PARTS * FINER), fired, at)
    bands = sound.at(when).reshape(rows, PARTS, FINER, -1).mean(axis=2)
    filtered = low.between_hz(*LOW_HZ)
    when = np.interp((np.arange(rows * LOW_PARTS * FINER) + 0.5) / (LOW_PARTS * FINER), fired, at)
    shape = np.interp(when * low.rate_hz, np.arange(len(filtered)), filtered)
    middle = float(np.log(np.median(firing_hz) / 25.0))
    return np.concatenate([
        _heights(bands.transpose(0, 2, 1).reshape(rows, -1), KEPT_SHAPES),
        _heights(shape.reshape(rows, LOW_PARTS, FINER).mean(axis=2), KEPT_LOW_SHAPES), [middle],
    ])  # fmt: skip


def _heights(table: FloatArray, shapes: int) -> FloatArray:
    """Height of the lines at ``LINE_PLACES`` in the spectrum over the rows of a table (rows, columns).

    The table's columns move together; taken apart into uncorrelated shapes of equal weight (principal
    components), the power of all shapes adds up to a spectrum with little scatter.
    """
    rows = len(table)
    flat = table - uniform_filter1d(table, TREND_ROWS, axis=0, mode="nearest")
    spread = flat.std(axis=0)
    flat = np.clip(flat[:, spread > 1e-9] / spread[spread > 1e-9], -4.0, 4.0)
    if not flat.shape[1]:
        return np.zeros(len(LINE_PLACES))
    strength, ways = np.linalg.eigh(flat.T @ flat / rows)
    kept = min(shapes, rows // 4, int(np.sum(strength > 1e-6 * strength[-1])))
    alone = flat @ (ways[:, -kept:] / np.sqrt(strength[-kept:]))
    size = scipy.fft.next_fast_len(4 * rows, real=True)
    level = np.log(power_spectra(alone.T, np.hanning(rows), size).mean(axis=0) + 1e-12)
    near = maximum_filter1d(level, 2 * max(1, int(0.5 * size / rows)) + 1)
    places = np.arange(len(level)) / size
    free = places > LOWEST_PLACE
    clear = free.copy()
    for line in LINE_PLACES:
        clear &= np.abs(places - float(line)) > 3.0 / rows
    found = np.empty(len(LINE_PLACES))
    for i, line in enumerate(LINE_PLACES):
        around = clear & (np.abs(places - float(line)) < AROUND)
        ground = near[around if around.sum() > FEWEST_AROUND else free]
        middle = float(np.median(ground))
        scatter = max(middle - float(np.quantile(ground, 0.16)), LEAST_SCATTER)
        found[i] = (near[min(round(float(line) * size), len(near) - 1)] - middle) / scatter
    return np.clip(found, LEAST_SCORE, MOST_SCORE)


def describe_numbers(lines: FloatArray) -> FloatArray:
    """Describe what the lines say of each number of cylinders, shape (``CYLINDERS``, ``NUMBER_FEATURES``).

    lines: from ``row_lines``. An engine shows some of its own lines and none of the others.

    >>> alone = np.zeros(17)
    >>> alone[[LINE_PLACES.index(Fraction(1, 5)), LINE_PLACES.index(Fraction(2, 5))]] = 6.0
    >>> found = describe_numbers(alone)[:, NUMBER_FEATURES.index("bands_own_least")]
    >>> CYLINDERS[int(found.argmax())]
    5
    """
    count = len(LINE_PLACES)
    two = lines[: 2 * count].reshape(2, count)
    by_firing = lines[-1] ** np.arange(3)
    found = []
    for number, own in enumerate(OWN_LINES):
        row: list[float] = []
        for heights in two:
            mine, others = heights[own], heights[~own]
            row += [mine.sum(), others.sum(), mine.min(), mine.max(), others.max()]
        mean = two.mean(axis=0)
        row += [mean[own].min(), mean[~own].max()]
        here = np.zeros((len(CYLINDERS), 3))
        here[number] = by_firing
        found.append([*row, *here.ravel()])
    return np.array(found)


@dataclass(frozen=True, eq=False)
class FiringModel:
    """A softmax over the numbers of cylinders that could fire so, from ``describe_numbers``.

    centre, scale, weights: shape (``NUMBER_FEATURES``,).
    """

    centre: FloatArray
    scale: FloatArray
    weights: FloatArray

    def scores(self, lines: FloatArray) -> FloatArray:
        """Score each number of ``CYLINDERS``, natural logarithm, any offset."""
        return np.asarray(((describe_numbers(lines) - self.centre) / self.scale) @ self.weights)

    def shares(self, lines: FloatArray, before: Mapping[int, float]) -> dict[int, float]:
        """Share of each number of ``before`` (their probabilities, any sum) with these lines; the sum is 1.

        lines: from ``row_lines``.
        """
        said = self.scores(lines)
        said = said - np.logaddexp.reduce(said[[CYLINDERS.index(n) for n in before]])
        whole = sum(before.values()) + 1e-12
        score = np.array([
            ROWS_COUNT * said[CYLINDERS.index(n)]
            + BEFORE_COUNTS * np.log(share / whole + LEAST_BEFORE)
            for n, share in before.items()
        ])  # fmt: skip
        share = np.exp(score - np.logaddexp.reduce(score))
        return dict(zip(before, share.tolist(), strict=True))


def firing_model_to_plain(model: FiringModel) -> dict[str, Any]:
    """Give the model as plain numbers."""
    return {name: np.round(getattr(model, name), 6).tolist() for name in ("centre", "scale", "weights")}


def firing_model_from_plain(plain: Mapping[str, Any]) -> FiringModel:
    """Read a model; ValueError where the shapes do not fit or a weight is no number."""
    centre, scale, weights = (weights_of(plain[name]) for name in ("centre", "scale", "weights"))
    right = centre.shape == scale.shape == weights.shape == (len(NUMBER_FEATURES),)
    if not (right and bool(np.all(scale > 0))):
        raise ValueError("the shapes of the model of firings do not fit")
    return FiringModel(centre, scale, weights)
