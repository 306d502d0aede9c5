"""Blades that stir the air: where their beat stands, and what unequal angles add to it."""

import numpy as np
import pytest

from audiodiag.simulation.accessories import _blades_pass
from audiodiag.simulation.apart.bay import make_scene as make_apart


def lines(blades: int, uneven: float, seed: int) -> np.ndarray:
    """Height of every multiple of one turn in how the air swells."""
    swell = _blades_pass(np.random.default_rng(seed), blades, uneven)
    assert swell.shape == (4096,)
    assert np.max(np.abs(swell)) == pytest.approx(1.0)
    return np.abs(np.fft.rfft(swell)) / 2048


@pytest.mark.parametrize("blades", [1, 4, 7, 13])
def test_even_blades_swell_at_their_number_and_its_multiples_alone(blades: int) -> None:
    height = lines(blades, 0.0, blades)
    assert int(np.argmax(height)) == blades
    others = np.delete(height, np.arange(0, len(height), blades))
    assert others.size == 0 or others.max() < 1e-3


@pytest.mark.parametrize("blades", [4, 7, 13])
def test_unequal_angles_add_lines_a_turn_beside(blades: int) -> None:
    height = np.mean([lines(blades, 0.15, seed) for seed in range(30)], axis=0)
    assert int(np.argmax(height)) == blades
    assert height[blades - 1] > 0.02
    assert height[blades + 1] > 0.02


def test_a_fan_and_a_draught_are_each_in_every_second_clip_or_so() -> None:
    present = [make_apart(seed, duration_s=3.0).truth["disturbances"] for seed in range(60)]
    assert 18 <= sum("fan" in each for each in present) <= 42
    assert 18 <= sum("draught" in each for each in present) <= 42
