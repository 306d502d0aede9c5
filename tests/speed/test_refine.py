"""The phase of the engine's lines: as many samples a turn as are needed that nothing folds back over them."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.speed.front import Baseband
from audiodiag.speed.refine import (
    MOST_SAMPLES_PER_REV,
    SAMPLES_PER_REV,
    angle_times,
    refine,
    unfolded_samples_per_rev,
)

RATE_HZ = 2400.0


def _idle(*, above: float = 0.0) -> tuple[Baseband, np.ndarray, np.ndarray]:
    """Half orders of an idle that wanders by 1 %, in noise, and more noise far above them."""
    rng = np.random.default_rng(5)
    at = np.arange(int(14 * RATE_HZ)) / RATE_HZ
    rpm = 810.0 * (1 + 0.01 * np.sin(2 * np.pi * 0.2 * at))
    turns = np.cumsum(rpm / 60) / RATE_HZ
    sound = 0.2 * rng.normal(size=len(at))
    for order in np.arange(0.5, 14.5, 0.5):
        sound += 0.3 * np.cos(2 * np.pi * (order * turns + rng.random()))
    hiss = np.fft.rfft(rng.normal(size=len(at)))
    hiss[np.fft.rfftfreq(len(at), 1 / RATE_HZ) < 500.0] = 0
    sound += above * np.fft.irfft(hiss, len(at))
    return Baseband(sound.astype(np.float32), RATE_HZ), at[::240], rpm[::240]


def _error(*, off: float = 1.004, near: bool = False, **how) -> float:
    signal, time_s, rpm = _idle(**how)
    found = refine((signal,), time_s, rpm * off, near=near)
    return float(np.median(np.abs(found.rpm / rpm - 1)[5:-5]))


@pytest.mark.parametrize(("off", "near"), [(1.0005, True), (0.9995, True), (1.02, False), (0.98, False)])
def test_a_track_that_is_near_is_refined_by_phase_alone_and_any_other_by_height_first(off, near):
    assert _error(off=off, near=near) < 1e-4


def test_angles_are_reached_when_the_course_of_speed_says_so():
    """Speed is linear between the instants of a track, so turns are its integral: by adaptive quadrature."""
    from scipy.integrate import quad

    time_s, rpm = np.array([0.4, 1.0, 2.1, 3.0]), np.array([900.0, 700.0, 2100.0, 2100.0])
    signal = Baseband(np.zeros(int(3.5 * RATE_HZ), np.float32), RATE_HZ)
    when = angle_times(signal, time_s, rpm, samples_per_rev=64)
    assert (np.diff(when) > 0).all()
    for place in (0, 700, 1500, 2500, len(when) - 1):
        turns = quad(lambda t: np.interp(t, time_s, rpm) / 60, 0.0, when[place], points=time_s, limit=200)[0]
        assert turns == pytest.approx(place / 64, abs=1e-8)
    whole = quad(
        lambda t: np.interp(t, time_s, rpm) / 60, 0.0, (len(signal.samples) - 1) / RATE_HZ, points=time_s
    )
    assert len(when) == int(whole[0] * 64)


def test_loud_noise_above_the_lines_does_not_fold_over_them():
    assert _error() < 1e-4
    assert _error(above=10.0) < 1.5e-4


@pytest.mark.parametrize(("rpm", "wanted"), [(150.0, MOST_SAMPLES_PER_REV), (12_000.0, SAMPLES_PER_REV)])
def test_samples_a_turn_stay_within_their_bounds(rpm, wanted):
    signal = Baseband(np.zeros(10, np.float32), RATE_HZ)
    assert unfolded_samples_per_rev(signal, np.full(3, rpm)) == wanted
    between = unfolded_samples_per_rev(signal, np.full(3, 800.0))
    assert between % 16 == 0 and SAMPLES_PER_REV < between < MOST_SAMPLES_PER_REV
