"""How well each engine speed explains a spectrum: a comb over half orders with learned weights.

For a number of cylinders N the comb has teeth at the half orders 0.5, 1, 1.5, ... (unequal cylinders) and at
the quarter points between them, where an engine has nothing. The score of a speed is the weighted sum of the
whitened levels at those teeth, in four channels; the weights are learned by the same softmax over speeds that
they are used in (a multi-order probabilistic approach in the sense of Leclere, Andre and Antoni, MSSP 2016,
with the line weights learned instead of set).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft

from audiodiag.errors import ModelError
from audiodiag.records import FloatArray
from audiodiag.resources import shipped_folder
from audiodiag.speed.chooser import Chooser, chooser_from_plain
from audiodiag.speed.firings import CYLINDERS, FiringModel, firing_model_from_plain
from audiodiag.speed.front import CHANNELS, LOG_STEP, FrontEnd
from audiodiag.speed.plain import weights_of

__all__ = [
    "CYLINDERS",
    "RPM_GRID",
    "SCHEMA",
    "TEETH",
    "CombWeights",
    "comb_scores",
    "load_comb_weights",
    "load_teeth",
    "speed_prior",
    "tooth_levels",
]

TEETH: FloatArray = np.concatenate([np.arange(1, 49) / 2.0, np.arange(24) / 2.0 + 0.25])
FRAMES_AT_ONCE = 32
"""How many spectra are transformed at a time: they stay near the processor."""
SCHEMA = "audiodiag/speed/3"
BROKEN = (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)
"""What reading a broken file ends in."""
RPM_GRID: FloatArray = 380.0 * np.exp(LOG_STEP * np.arange(486))


@dataclass(frozen=True, eq=False)
class CombWeights:
    """Learned comb weights.

    teeth: for each number of cylinders, shape (channels, teeth). prior: shape (grid,), log prior of speed.
    chooser: decides between half, double and other numbers of cylinders. second: a second opinion where the
    number of cylinders is not told, on ``second.SECOND_FEATURES``. firings: tells readings that fire alike
    apart, by the rows of their firings.
    """

    teeth: Mapping[int, FloatArray]
    prior: FloatArray
    chooser: Chooser
    second: Chooser | None = None
    firings: FiringModel | None = None


def _shifts(axis_hz: FloatArray) -> FloatArray:
    """Index on the axis of each tooth at the first speed of the grid, shape (teeth,)."""
    return np.round(np.log(TEETH * RPM_GRID[0] / 60.0 / axis_hz[0]) / LOG_STEP).astype(int)


def tooth_levels(front: FrontEnd, channel: int, tooth: int) -> FloatArray:
    """Give the whitened level at one tooth for every frame and speed, shape (frames, grid).

    Where the tooth lies outside the axis the level is 0: neither for nor against.
    """
    spectra = front.spectra[channel]
    shift = int(_shifts(front.axis_hz)[tooth])
    count, axis = len(RPM_GRID), spectra.shape[1]
    out = np.zeros((spectra.shape[0], count), np.float32)
    first, last = max(0, -shift), min(count, axis - shift)
    if last > first:
        out[:, first:last] = spectra[:, first + shift : last + shift]
    return out


def comb_scores(front: FrontEnd, weights: CombWeights, cylinders: tuple[int, ...]) -> dict[int, FloatArray]:
    """Score every speed of the grid at every frame for each number of cylinders.

    Returns shape (frames, grid) each, in nats without the prior. A tooth outside the axis counts nothing. On
    a logarithmic axis a comb is one kernel that is shifted by the speed, so all scores are correlations. A
    channel in which no tooth counts costs nothing.
    """
    frames, axis = front.spectra.shape[1:]
    shifts = _shifts(front.axis_hz)
    reach = max(int(shifts.max()), 0) + len(RPM_GRID) + max(-int(shifts.min()), 0)
    size = scipy.fft.next_fast_len(max(axis, reach) + max(-int(shifts.min()), 0) + 1, real=True)
    kernels = np.zeros((len(cylinders), len(CHANNELS), size), np.float32)
    for place, number in enumerate(cylinders):
        for channel in range(len(CHANNELS)):
            np.add.at(kernels[place, channel], shifts % size, weights.teeth[number][channel])
    heard = np.flatnonzero(kernels.any(axis=(0, 2)))
    turned = np.conj(scipy.fft.rfft(kernels[:, heard], axis=2))
    scores = np.empty((len(cylinders), frames, len(RPM_GRID)), np.float32)
    for first in range(0, frames, FRAMES_AT_ONCE):
        here = slice(first, first + FRAMES_AT_ONCE)
        lines = scipy.fft.rfft(front.spectra[heard, here], size, axis=2)
        for place in range(len(cylinders)):
            total = np.zeros(lines.shape[1:], lines.dtype)
            for channel in range(len(heard)):
                total += turned[place, channel] * lines[channel]
            scores[place, here] = scipy.fft.irfft(total, size, axis=1)[:, : len(RPM_GRID)]
    return {number: scores[place] for place, number in enumerate(cylinders)}


def speed_prior() -> FloatArray:
    """Log prior of engine speed in a steering clip: mostly near idle, thinning out upwards (assumption)."""
    log_rpm = np.log(RPM_GRID)
    idle = np.exp(-0.5 * ((log_rpm - np.log(850.0)) / 0.22) ** 2)
    raised = 0.25 * np.exp(-0.5 * ((log_rpm - np.log(1350.0)) / 0.4) ** 2)
    return np.log(idle + raised + 0.001)


def load_teeth(path: Path | None = None) -> dict[int, FloatArray]:
    """Read the comb's teeth alone, shape (channels, teeth) for each number of cylinders.

    path: the shipped file without one. Errors: ModelError where it is missing or not of this schema.
    """
    path = path or shipped_folder("models") / "speed.json"
    try:
        return _teeth_of(json.loads(path.read_text(encoding="utf-8")))
    except BROKEN as error:
        raise _broken(path, error) from error


def _teeth_of(stored: Mapping[str, Any]) -> dict[int, FloatArray]:
    teeth = {int(n): weights_of(table) for n, table in stored["teeth"].items()}
    right = stored["schema"] == SCHEMA and set(teeth) == set(CYLINDERS)
    if not right or any(t.shape != (len(CHANNELS), len(TEETH)) for t in teeth.values()):
        raise ValueError("another schema or shape")
    return teeth


@cache
def load_comb_weights(path: Path | None = None) -> CombWeights:
    """Read the comb weights from ``models/speed.json``.

    A file without a second opinion or a model of firings is read as well. Errors: ModelError where the
    file is missing, not of the schema ``audiodiag/speed/3`` or learnt with other numbers of a hypothesis.
    """
    from audiodiag.speed.hypotheses import HYPOTHESIS_FEATURES
    from audiodiag.speed.second import SECOND_FEATURES

    path = path or shipped_folder("models") / "speed.json"
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        teeth = _teeth_of(stored)
        for name, now in (("chooser_features", HYPOTHESIS_FEATURES), ("second_features", SECOND_FEATURES)):
            if stored.get(name, len(now)) != len(now):
                raise ValueError(f"{name} are {len(now)} in this version")
        chooser = chooser_from_plain(stored["chooser"], len(HYPOTHESIS_FEATURES))
        if chooser.beside is None:
            raise ValueError("the sum beside the nets is missing")
        second = None
        if "second" in stored:
            second = chooser_from_plain(stored["second"], len(SECOND_FEATURES))
            if second.beside is not None:
                raise ValueError("beside the second opinion stands a sum")
        firings = firing_model_from_plain(stored["firings"]) if "firings" in stored else None
    except BROKEN as error:
        raise _broken(path, error) from error
    return CombWeights(teeth, speed_prior(), chooser, second, firings)


def _broken(path: Path, error: Exception) -> ModelError:
    kind = type(error).__name__
    told = f"{kind}, {error}" if type(error) in (ValueError, KeyError) else kind
    return ModelError(
        f"the speed model {path.name} cannot be read",
        got=told,
        allowed="the file that this version ships or that its training writes",
        todo="install audiodiag again, or run its training",
    )
