"""The parts to listen to: engine, pump, groan, squeal, chirp and the rest, which add up to the clip.

The parts are taken out one after the other, the surest first: the orders of engine and pump over crank angle
(:mod:`audiodiag.orders.order_masks`), then tones that wander (:mod:`audiodiag.orders.noise_masks`) and bursts
(:mod:`audiodiag.orders.bursts`) over short frames, then noise that swells (:mod:`audiodiag.orders.swelling`).
What is left is the rest, so that the sum is the clip. Once the masks are found, splitting is linear: the
parts of a sum of sounds are the sums of their parts, which is how the separation is judged on simulated clips
whose sources are known.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.orders.bursts import chirp_mask
from audiodiag.orders.noise_masks import ShortMask, squeal_mask
from audiodiag.orders.order_masks import OrderMasks, order_masks
from audiodiag.orders.swelling import groan_mask
from audiodiag.records import FloatArray, read_only

__all__ = ["ListeningParts", "PartsPlan", "gain_over_others_db", "plan_parts", "pump_tone_orders"]

HIGHEST_TONE = 12
"""So many multiples of the pump's first tone are sought, with their sidebands."""


@dataclass(frozen=True, eq=False)
class ListeningParts:
    """Parts of a clip, float32, shape (n,) each, full scale as the clip's; their sum is the clip.

    engine: tones at half orders. pump: tones at the pump's orders. groan: noise that swells and swings with
    the pump. squeal: tones that wander or come and go. chirp: short high bursts. rest: all else, also the
    noise of the engine in good order. A part that was not looked for is silent.
    """

    engine: FloatArray
    pump: FloatArray
    groan: FloatArray
    squeal: FloatArray
    chirp: FloatArray
    rest: FloatArray

    def items(self) -> tuple[tuple[str, FloatArray], ...]:
        """Give the parts with their names, in the order of the fields."""
        return tuple((field.name, getattr(self, field.name)) for field in fields(self))

    def total(self) -> FloatArray:
        """Give the sum of the parts, shape (n,)."""
        return np.asarray(sum(part.astype(np.float64) for _, part in self.items()), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class PartsPlan:
    """The masks of all parts, found on one clip; None where a part is not looked for."""

    orders: OrderMasks | None
    squeal: ShortMask | None
    chirp: ShortMask | None
    groan: ShortMask | None
    chirp_first: bool = False

    def split(self, samples: ArrayLike, rate_hz: float) -> ListeningParts:
        """Lay the masks over a sound of the same length and rate as the clip they were found on. Linear."""
        x = np.asarray(samples, dtype=np.float32)
        silence = np.zeros(len(x), np.float32)
        engine, pump = silence, silence
        if self.orders is not None:
            tones = self.orders.split(x, rate_hz)
            engine, pump = tones.engine, tones.pump
        left = x - engine - pump
        found = {}
        for name in _sequence(chirp_first=self.chirp_first):
            mask = getattr(self, name)
            found[name] = silence if mask is None else mask.through(left).astype(np.float32)
            left = left - found[name]
        parts = (engine, pump, found["groan"], found["squeal"], found["chirp"], left)
        return ListeningParts(*(read_only(part) for part in parts))


def _sequence(*, chirp_first: bool) -> tuple[str, ...]:
    """Names of the parts in short frames in the order in which they are taken out."""
    return ("chirp", "squeal", "groan") if chirp_first else ("squeal", "chirp", "groan")


def pump_tone_orders(first_order: float, pump_ratio: float | None = None) -> tuple[float, ...]:
    """Give the orders at which the pump's tones are sought: multiples of the first, and sidebands at +-R.

    Parameters
    ----------
    first_order:
        Order of the lowest tone, R z.
    pump_ratio:
        Pump turns per crank turn R, None where unknown: then without sidebands.

    >>> [round(order, 2) for order in pump_tone_orders(12.0, 1.2)[:4]]
    [12.0, 10.8, 13.2, 24.0]
    """
    orders = []
    for multiple in range(1, HIGHEST_TONE + 1):
        orders.append(multiple * first_order)
        if pump_ratio is not None:
            orders += [multiple * first_order - pump_ratio, multiple * first_order + pump_ratio]
    return tuple(orders)


def plan_parts(
    samples: ArrayLike,
    rate_hz: float,
    *,
    time_s: ArrayLike | None = None,
    rpm: ArrayLike | None = None,
    pump_orders: tuple[float, ...] = (),
    pump_ratio: float | None = None,
    cylinders: int | None = None,
    squeal: bool = True,
    chirp: bool = True,
    groan: bool = True,
    chirp_first: bool = False,
    chirp_spans_s: tuple[tuple[float, float], ...] = (),
    calm_spans_s: tuple[tuple[float, float], ...] = (),
) -> PartsPlan:
    """Find the masks with which a clip is split.

    Parameters
    ----------
    samples, rate_hz:
        The clip, shape (n,), full scale is 1, and its rate.
    time_s, rpm:
        Engine speed over time; without it engine and pump are silent and stay in the rest.
    pump_orders:
        Orders of the pump's tones (:func:`pump_tone_orders`); none: the pump is silent.
    pump_ratio:
        Pump turns per crank turn, with which the groan swings.
    cylinders:
        Which half orders are firing orders.
    squeal, chirp, groan:
        Which of the other parts are looked for.
    chirp_first:
        Whether bursts are taken out before tones, where a chirp is surer than a squeal.
    chirp_spans_s:
        Where bursts are heard, all over the clip without.
    calm_spans_s:
        When the wheel is at rest, if that is known.

    Raises
    ------
    SpeedError, ClipError
        As for :func:`audiodiag.orders.angle.resample_to_angle`.

    >>> t = np.arange(80000) / 16000
    >>> clip = 0.2 * np.cos(2 * np.pi * 25 * t) + 0.02 * np.random.default_rng(1).standard_normal(80000)
    >>> parts = plan_parts(clip, 16000, time_s=[0, 5], rpm=[750, 750]).split(clip, 16000)
    >>> bool(np.abs(parts.total() - clip).max() < 1e-6), round(float(np.std(parts.engine)), 2)
    (True, 0.14)
    """
    x = np.asarray(samples, dtype=np.float32)
    left: FloatArray = x
    masks = None
    if time_s is not None and rpm is not None:
        times, speeds = np.asarray(time_s, dtype=float), np.asarray(rpm, dtype=float)
        masks = order_masks(x, rate_hz, times, speeds, pump_orders=pump_orders, cylinders=cylinders)
        tones = masks.split(x, rate_hz)
        left = x - tones.engine - tones.pump
    crank = None if masks is None else masks.crank
    clip_power = float(np.mean(np.square(x, dtype=np.float64)))
    wanted = {"squeal": squeal, "chirp": chirp, "groan": groan}
    found: dict[str, ShortMask | None] = {}
    for name in _sequence(chirp_first=chirp_first):
        mask = None
        if wanted[name] and name == "squeal":
            mask = squeal_mask(left, rate_hz)
        elif wanted[name] and name == "chirp":
            mask = chirp_mask(left, rate_hz, crank, spans_s=chirp_spans_s, clip_power=clip_power)
        elif wanted[name]:
            mask = groan_mask(
                left,
                rate_hz,
                crank,
                pump_ratio,
                calm_spans_s=calm_spans_s,
                clip_power=clip_power,
            )
        found[name] = mask
        if mask is not None and name != "groan":
            left = left - mask.through(left)
    return PartsPlan(masks, found["squeal"], found["chirp"], found["groan"], chirp_first)


def gain_over_others_db(
    plan: PartsPlan, name: str, source: ArrayLike, others: ArrayLike, rate_hz: float
) -> float:
    """Give the gain in source-to-interference ratio of a part over the clip, dB.

    The ratio of the source's power to that of all other sounds together, in the part less in the clip, in
    decibels. Splitting is linear, so what of the part comes from the source and what from the others is known
    exactly. The ratio is that of Vincent, Gribonval and Fevotte (IEEE Trans. Audio, Speech and Language
    Processing 14(4), 2006, 1462-1469, equation for SIR, from memory), with each source's own image in the
    part in the place of a projection: energy that leaks without being alike in shape is counted in full.

    >>> t = np.arange(80000) / 16000
    >>> tone, noise = np.cos(2 * np.pi * 25 * t), np.random.default_rng(1).standard_normal(80000)
    >>> plan = plan_parts(tone + noise, 16000, time_s=[0, 5], rpm=[750, 750])
    >>> gain_over_others_db(plan, "engine", tone, noise, 16000) > 10
    True
    """

    def power(sound: ArrayLike) -> float:
        return float(np.mean(np.asarray(sound, dtype=np.float64) ** 2)) + 1e-30

    mine = power(getattr(plan.split(source, rate_hz), name))
    leaked = power(getattr(plan.split(others, rate_hz), name))
    return float(10.0 * np.log10(mine / leaked * power(others) / power(source)))
