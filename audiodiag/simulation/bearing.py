"""Growl of a worn rolling bearing."""

from __future__ import annotations

import numpy as np

from .scene import Planted, Scene, cosine, unit
from .signals import (
    convolve,
    deposit,
    modes_kernel,
    on_samples,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["growl"]


def growl(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """A damaged bearing on the pump shaft or an idler: impacts at its own non-integer orders, with slip.

    Per turn of the shaft: outer race ``n (1 - d) / 2``, inner race ``n (1 + d) / 2``, ball ``(1 - d^2) / d``
    (twice its spin), cage ``(1 - d) / 2``, with n balls and d the ball over the pitch diameter times the
    cosine of the contact angle (bearing kinematics without slip; textbook formulas).
    """
    n, rate, m = scene.n, scene.rate, len(scene.load)
    shaft_order = scene.pulley_ratio if car.random() < 0.6 else car.uniform(1.2, 3.2)
    balls = int(car.integers(7, 14))
    slim = car.uniform(0.15, 0.32)  # ball over pitch diameter times cosine of the contact angle
    cage = 0.5 * (1 - slim)
    race = {"outer": balls * cage, "inner": balls * (1 - cage), "ball": (1 - slim**2) / slim}
    which = str(car.choice(["outer", "inner", "ball"], p=[0.5, 0.35, 0.15]))
    rate_order = race[which] * shaft_order
    beat = {"outer": 1.0, "inner": 1.0, "ball": cage}[which] * shaft_order
    slip = car.uniform(0.003, 0.02)
    total = float(scene.turns[-1] - scene.turns[0]) * rate_order
    steps = 1 + slip * rng.standard_normal(int(total * 1.2) + 8)
    angle = scene.turns[0] + np.cumsum(steps) / rate_order
    times = scene.driving.times_of_turns(angle)
    depth = car.uniform(0.0, 0.4) if which == "outer" else car.uniform(0.4, 1.0)
    loud = 1 + depth * np.cos(2 * np.pi * (angle * beat + car.random()))
    if variant == "cage":
        loud = loud * (
            1 + car.uniform(0.3, 0.9) * np.cos(2 * np.pi * (angle * cage * shaft_order + car.random()))
        )
    amplitude = np.maximum(loud, 0.02) * np.exp(uniform_log(car, 0.1, 0.6) * rng.standard_normal(len(angle)))
    body = modes_kernel(
        car,
        rate,
        count=int(car.integers(2, 7)),
        low_hz=car.uniform(700, 2500),
        high_hz=car.uniform(2800, 7500),
        quality=(6, 60),
        tilt_db_per_octave=car.uniform(-3, 1),
        longest_s=0.05,
    )
    gain = (1 + car.uniform(0, 0.4) * scene.load) * scene.relative_speed ** car.uniform(0.3, 1.5)
    gain = gain * np.exp(walk(rng, m, 0.7, 0.2))
    sound = unit(convolve(deposit(n, times * rate, amplitude), body))
    if variant == "rough":
        shape = np.maximum(
            1 + car.uniform(0.3, 1) * turn_table(scene.turns * shaft_order, cosine(car.random())), 0.02
        )
        shape = shape * (
            1 + car.uniform(0, 0.7) * turn_table(scene.turns * cage * shaft_order, cosine(car.random()))
        )
        rough = unit(convolve(rng.standard_normal(n, dtype=np.float32) * shape, body))
        sound = rough + np.float32(car.uniform(0.1, 0.9)) * sound
    details = {"bearing_impact_order": float(rate_order), "bearing_shaft_order": float(shaft_order)}
    return Planted(sound * on_samples(gain, n, rate), gain, details)
