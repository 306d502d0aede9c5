"""Same seed same samples, other seed other samples."""

import numpy as np

from audiodiag.simulation import BaySettings, simulate, simulate_not_engine


def test_same_seed_gives_the_same_samples_bit_for_bit() -> None:
    settings = BaySettings(duration_s=4.0)
    first, again = simulate(11, settings=settings), simulate(11, settings=settings)
    assert np.array_equal(first.samples, again.samples)
    assert first.truth == again.truth


def test_other_seeds_give_other_samples() -> None:
    settings = BaySettings(duration_s=4.0, codec="wav", sample_rate_hz=16000)
    first, other = simulate(11, settings=settings), simulate(12, settings=settings)
    assert not np.array_equal(first.samples, other.samples)


def test_sounds_without_an_engine_repeat_too() -> None:
    first, again = (simulate_not_engine(5, duration_s=3.0) for _ in range(2))
    assert np.array_equal(first.samples, again.samples)
    assert first.truth["kind"] == "not_an_engine_bay"
