"""Power of many windows against the transform of each for itself."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.signal import powers
from audiodiag.signal.powers import mean_around, power_of, power_spectra, windows_at


@pytest.mark.parametrize("at_once", [64, 1 << 18])
def test_windows_that_are_taken_together_are_as_each_alone(monkeypatch, at_once):
    """The reference is the general-purpose library ``numpy.fft``, window by window, in double precision."""
    monkeypatch.setattr(powers, "AT_ONCE", at_once)
    rng = np.random.default_rng(4)
    samples, starts = rng.normal(size=400).astype(np.float32), np.arange(0, 370, 7)
    shape = np.hanning(30)
    alone = [np.abs(np.fft.rfft(samples[s : s + 30] * shape, 64)) ** 2 for s in starts]
    found = power_spectra(windows_at(samples, starts, 30), shape, 64)
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, alone, rtol=1e-4, atol=1e-4)
    table = np.array([samples[s : s + 30] for s in starts])
    np.testing.assert_array_equal(power_spectra(table, shape, 64, bins=9), found[:, :9])


def test_the_power_of_nothing_is_nothing():
    none = power_spectra(np.zeros((0, 30), np.float32), np.ones(30), 64)
    assert none.shape == (0, 33)
    assert not power_spectra(np.zeros((2, 30), np.float32), np.ones(30), 64).any()


def test_power_keeps_the_precision_that_it_gets():
    lines = np.array([[1 + 2j, -3j]], np.complex64)
    assert power_of(lines).dtype == np.float32
    assert power_of(lines).tolist() == [[5.0, 9.0]]


def test_the_mean_around_is_that_of_the_values_and_never_below_nothing():
    rng = np.random.default_rng(8)
    power = rng.exponential(size=(3, 80))
    wide = np.pad(power, ((0, 0), (4, 4)), mode="edge")
    wanted = np.mean([wide[:, k : k + 80] for k in range(9)], axis=0)
    np.testing.assert_allclose(mean_around(power, 9), wanted, rtol=1e-12)
    power[:, 40] = 1e18
    assert (mean_around(power, 9) >= 0.0).all()
