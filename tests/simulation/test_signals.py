"""The building blocks against plain formulas."""

import numpy as np
import pytest

from audiodiag.simulation.signals import (
    CONTROL_HZ,
    convolve,
    deposit,
    power,
    shaped_noise,
    spans_of,
    turn_table,
    walk,
)


@pytest.mark.parametrize(("n", "m"), [(1000, 7), (5000, 4999), (100_001, 900)])
def test_overlap_add_is_convolution(n: int, m: int) -> None:
    rng = np.random.default_rng(0)
    signal, kernel = rng.standard_normal(n).astype(np.float32), rng.standard_normal(m).astype(np.float32)
    wanted = np.convolve(signal, kernel)[:n]
    assert np.abs(convolve(signal, kernel) - wanted).max() < 1e-3 * np.abs(wanted).max()


def test_deposit_keeps_area_and_place() -> None:
    out = deposit(100, np.array([10.25, 50.0]), np.array([1.0, 2.0]))
    assert out[10] == 0.75 and out[11] == 0.25 and out[50] == 2.0
    assert out.sum() == 3.0


def test_noise_follows_its_shape() -> None:
    noise = shaped_noise(
        np.random.default_rng(2), 1 << 18, 32000, [(100, 0), (1000, 0), (4000, -20), (16000, -20)]
    )
    spectrum = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.fft.rfftfreq(len(noise), 1 / 32000)

    def band(low: float, high: float) -> float:
        return 10 * np.log10(np.mean(spectrum[(hz > low) & (hz < high)]))

    assert power(noise) == pytest.approx(1.0, rel=1e-3)
    assert band(300, 900) - band(5000, 9000) == pytest.approx(20, abs=1.0)


def test_walk_has_its_deviation_and_time_constant() -> None:
    steps = walk(np.random.default_rng(3), 400_000, 0.2, 2.0)
    assert np.std(steps) == pytest.approx(2.0, rel=0.05)
    lag = int(0.2 * CONTROL_HZ)
    correlation = np.corrcoef(steps[:-lag], steps[lag:])[0, 1]
    assert correlation == pytest.approx(np.exp(-1), abs=0.05)


def test_table_is_read_by_turns() -> None:
    table = np.sin(2 * np.pi * np.arange(4096) / 4096)
    phase = np.array([0.0, 0.25, 7.25, 1000.75])
    assert turn_table(phase, table) == pytest.approx([0, 1, 1, -1], abs=2e-3)


def test_spans_join_short_gaps_and_end_with_the_clip() -> None:
    active = np.zeros(10 * CONTROL_HZ + 1, bool)
    active[CONTROL_HZ : 2 * CONTROL_HZ] = True
    active[2 * CONTROL_HZ + 20 : 3 * CONTROL_HZ] = True
    active[9 * CONTROL_HZ :] = True
    assert spans_of(active, longest_s=10.0) == [[1.0, 3.0], [9.0, 10.0]]
