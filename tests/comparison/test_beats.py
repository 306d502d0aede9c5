"""Beats of a planted bearing close to the engine's half orders: are they found and told from the engine's?"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from audiodiag.comparison.beats import LONG_REV, Beats, beats_of, growl_lines, swing_at
from audiodiag.comparison.references import engine_swing
from tests.comparison.test_sounds import RATE, TIME_S, TURNS, engine, scene_of

ORDER = 5.56
"""Impacts a turn of the crank, 0.06 beside one of the engine's half orders."""
BAND = butter(2, (1500.0, 4500.0), "bandpass", fs=RATE, output="sos")


def growling(amplitude: float, seed: int = 2, depth: float = 1.0) -> np.ndarray:
    """Noise of 1.5 to 4.5 kHz that swells with the impacts of a bearing."""
    noise = sosfilt(BAND, np.random.default_rng(seed).standard_normal(len(TIME_S)))
    return amplitude * noise * (1.0 + depth * np.cos(2.0 * np.pi * ORDER * TURNS))


def beats(sound: np.ndarray, revolutions: int = LONG_REV) -> Beats:
    """Beats of a sound, in powers of the sound as it is and not of the clip's mean."""
    found = beats_of(scene_of(sound), revolutions)
    assert found is not None
    power = float(np.mean((sound - sound.mean()) ** 2))
    return Beats(found.hz, found.order, found.power * power**2, found.time_s, found.revolutions)


def near(found: Beats, lines: np.ndarray, order: float) -> bool:
    """Whether a line lies within 0.03 of an order."""
    return bool(lines[np.abs(found.order - order) < 0.03].any())


def test_long_blocks_part_a_bearing_from_the_half_order_beside_it() -> None:
    sound = engine() + growling(0.05)
    long, short = beats(sound), beats(sound, 12)
    assert (long.revolutions, short.revolutions) == (LONG_REV, 12)
    found, before = growl_lines([[long]]), growl_lines([[short]])
    assert found is not None and before is not None
    assert near(long, found, ORDER)
    assert not near(short, before, ORDER)


def test_an_engine_alone_has_no_line_of_a_bearing() -> None:
    found = growl_lines([[beats(engine(seed)) for seed in range(4)]])
    assert found is not None and not found.any()


def test_a_side_of_recordings_shows_a_fainter_line_than_one_of_them() -> None:
    many = [beats(engine(10 + k) + growling(0.1, 30 + k, 0.05)) for k in range(6)]
    alone = [growl_lines([[one]]) for one in many]
    together = growl_lines([many, []])
    assert together is not None and near(many[0], together, ORDER)
    assert sum(found is not None and near(many[0], found, ORDER) for found in alone) <= 2


def test_without_recordings_or_turns_there_are_no_lines() -> None:
    assert growl_lines([[], []]) is None
    sound = engine()
    half = scene_of(np.where(TIME_S < 12.0, sound, 0.0))
    assert beats_of(half, 10_000) is not None  # blocks of half the recording
    assert beats_of(half, 10_000).revolutions == 83  # type: ignore[union-attr]


@pytest.mark.parametrize("softer", [0.5, 0.25])
def test_a_softer_growl_swings_by_so_much_less(softer: float) -> None:
    """The engine is the same on both sides; its own beat must not move with the growl's."""
    sounds = [engine() + growling(0.2 * part) for part in (1.0, softer)]
    found = [beats(sound) for sound in sounds]
    lines = growl_lines([[found[0]], [found[1]]])
    assert lines is not None
    growls, engines = [], []
    for one, sound in zip(found, sounds, strict=True):
        scene = scene_of(sound)
        everywhere = np.ones(len(one.time_s), bool)
        growls.append(swing_at(scene, one, lines, everywhere))
        engines.append(engine_swing(scene, one, np.zeros(len(scene.time_s)), 700.0, lines))
    middle = (growls[0].hz > 1500.0) & (growls[0].hz < 4500.0)
    levels = [10.0 * np.log10(growl.power[middle].sum()) for growl in growls]
    assert levels[1] - levels[0] == pytest.approx(20.0 * np.log10(softer), abs=0.7)
    high = (engines[0].hz > 4500.0) & (engines[0].hz < 9000.0)
    moved = 10.0 * np.log10(engines[1].power[high] / engines[0].power[high])
    assert np.all(np.abs(moved) < 0.5)
