"""Half turns against the mean engine cycle: known lags, a dense solution, and what must be left alone."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.records import FloatArray
from audiodiag.speed import mean_cycle
from audiodiag.speed.front import Baseband
from audiodiag.speed.mean_cycle import FEWEST_CYCLES, follow_cycles
from audiodiag.speed.refine import RefinedTrack

RATE_HZ = 2400.0
RPM = 800.0


def engine(
    seed: int, *, seconds: float = 12.0, noise: float = 0.3, wander: float = 0.003
) -> tuple[tuple[Baseband, ...], FloatArray, FloatArray]:
    """Two bands of an engine whose speed wanders within half a second, and its true speed every 0.1 s."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    moved = sum(
        rng.normal() * np.sin(2 * np.pi * hz * at + rng.uniform(0, 6)) for hz in rng.uniform(0.5, 2.0, 8)
    )
    rpm = RPM * (1.0 + wander * moved / np.std(moved))
    turns = np.cumsum(rpm) / 60.0 / RATE_HZ
    bands = []
    for _ in range(2):
        sound = sum(
            rng.rayleigh() / (1.0 + order / 8.0) * np.cos(2 * np.pi * order * turns + rng.uniform(0, 6))
            for order in np.arange(0.5, 20.0, 0.5)
        )
        sound = sound + noise * np.std(sound) * rng.normal(size=len(at))
        bands.append(Baseband(sound.astype(np.float32), RATE_HZ))
    time_s = np.arange(0.0, seconds, 0.1)
    return tuple(bands), time_s, np.interp(time_s, at, rpm)


def flat(time_s: FloatArray, rpm: float = RPM) -> RefinedTrack:
    """A track that knows the mean and nothing else."""
    return RefinedTrack(time_s, np.full(len(time_s), rpm), np.full(len(time_s), 0.003 * rpm))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_the_speed_does_within_half_a_second_is_found(seed: int) -> None:
    bands, time_s, true_rpm = engine(seed)
    before = flat(time_s, float(true_rpm.mean()))
    after = follow_cycles(bands, before)
    off, left = (np.abs(track.rpm / true_rpm - 1.0)[5:-5] for track in (before, after))
    assert np.median(left) < 0.25 * np.median(off)
    # The band is no invention: about two thirds within one standard deviation, nearly all within three.
    inside = np.abs(after.rpm - true_rpm)[5:-5] / after.sd_rpm[5:-5]
    assert np.mean(inside < 1.0) > 0.4 and np.mean(inside < 3.0) > 0.9


def test_more_noise_more_error_and_a_wider_band() -> None:
    errors, widths = np.zeros((2, 3, 3))
    for one, seed in enumerate((4, 24, 34)):
        for other, noise in enumerate((0.1, 1.0, 3.0)):
            bands, time_s, true_rpm = engine(seed, noise=noise)
            found = follow_cycles(bands, flat(time_s, float(true_rpm.mean())))
            errors[one, other] = np.median(np.abs(found.rpm / true_rpm - 1.0))
            widths[one, other] = np.median(found.sd_rpm)
    assert np.all(np.diff(errors) > 0) and np.all(np.diff(widths.mean(axis=0)) > 0)


@pytest.mark.parametrize("order", [1, 2])
def test_what_a_half_turn_tells_of_itself_is_that_of_a_dense_smoother(order: int) -> None:
    """Against the diagonal of the hat matrix of a penalised least-squares smoother, away from its ends."""
    known, count = 0.01, 400
    rough = np.diff(np.eye(count), order + 1, axis=0)
    hat = np.linalg.inv(np.eye(count) + rough.T @ rough / known)
    assert mean_cycle._leverage(order, np.array([known]))[0] == pytest.approx(hat[200, 200], rel=0.02)


def test_the_law_is_chosen_where_the_speed_goes_by_it() -> None:
    """An engine that keeps its speed and then wanders: the calm half errs as it does alone."""
    calm, time_s, calm_rpm = engine(7, noise=1.0, wander=0.0002)
    loose, _, loose_rpm = engine(8, noise=1.0)
    both = tuple(
        Baseband(np.concatenate([one.samples, other.samples]), RATE_HZ)
        for one, other in zip(calm, loose, strict=True)
    )
    later = np.concatenate([time_s, time_s + 12.0])
    alone = follow_cycles(calm, flat(time_s)).rpm / calm_rpm - 1.0
    found = follow_cycles(both, flat(later)).rpm / np.concatenate([calm_rpm, loose_rpm]) - 1.0
    assert np.median(np.abs(found[: len(time_s)])) < 1.2 * np.median(np.abs(alone))
    assert np.median(np.abs(found[len(time_s) :])) < 0.001


def test_a_band_of_noise_beside_the_engine_does_no_harm() -> None:
    bands, time_s, true_rpm = engine(5)
    rng = np.random.default_rng(5)
    deaf = Baseband(rng.normal(size=len(bands[0].samples)).astype(np.float32), RATE_HZ)
    start = flat(time_s, float(true_rpm.mean()))
    alone, beside = (
        np.median(np.abs(follow_cycles(given, start).rpm / true_rpm - 1.0))
        for given in (bands, (*bands, deaf, deaf))
    )
    assert beside < 1.15 * alone


def test_noise_hardly_moves_the_track() -> None:
    samples = np.random.default_rng(6).normal(size=int(10 * RATE_HZ))
    time_s = np.arange(0.0, 10.0, 0.1)
    found = follow_cycles((Baseband(samples.astype(np.float32), RATE_HZ),), flat(time_s))
    assert np.all(np.isfinite(found.rpm)) and np.all(np.isfinite(found.sd_rpm))
    assert np.max(np.abs(found.rpm / RPM - 1.0)) < mean_cycle.MOST_CORRECTION * 1.01
    assert np.median(np.abs(found.rpm / RPM - 1.0)) < 0.002


def test_silence_leaves_the_track_and_its_band_as_they_are() -> None:
    """A lag of which nothing is known would make the band nine times as wide as the speed is high."""
    time_s = np.arange(0.0, 10.0, 0.1)
    start = flat(time_s)
    silent = Baseband(np.zeros(int(10 * RATE_HZ), np.float32), RATE_HZ)
    assert follow_cycles((silent, silent), start) is start


def test_a_clip_of_a_few_turns_is_left_as_it_is() -> None:
    seconds = 2.0 * 60.0 / RPM * (FEWEST_CYCLES - 1)
    bands, time_s, _ = engine(7, seconds=seconds)
    start = flat(time_s)
    assert follow_cycles(bands, start) is start


def test_the_mean_of_cycles_around_leaves_out_the_cycle_itself_and_turns() -> None:
    rng = np.random.default_rng(8)
    rows = rng.normal(size=(40, 4))
    spike = rows.copy()
    spike[11] += 100.0
    around = mean_cycle._around(rows)
    assert np.allclose(mean_cycle._around(spike)[11], around[11])
    assert np.allclose(mean_cycle._around(np.full((40, 4), 3.0)), 3.0)
    other = rng.normal(size=(40, 4))
    assert np.sum(other * around) == pytest.approx(np.sum(mean_cycle._around(other, turned=True) * rows))


@pytest.mark.parametrize(("order", "variance"), [(1, 1e-5), (2, 3e-5)])
def test_the_most_probable_lag_is_that_of_a_dense_solution(
    order: int, variance: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against numpy's least squares on the same rows: lags, differences of log speed, mean of the track."""
    rng = np.random.default_rng(9)
    count = 4 * 30
    weight = rng.uniform(1e4, 1e6, size=count)
    seen = 0.002 * rng.normal(size=count)
    log_track = np.log(RPM) + np.cumsum(0.001 * rng.normal(size=count))
    monkeypatch.setattr(mean_cycle, "GAIN_STEPS", 200)
    lags = mean_cycle._Lags(seen[None, :], weight[None, :])
    lag = mean_cycle._most_probable(lags, log_track, order, variance)
    step = 0.5
    relative = np.array([mean_cycle._relative(one) for one in np.eye(count)]).T
    slope = np.diff(np.eye(count), axis=0) / step
    rough = np.diff(slope, order, axis=0)
    known = np.diff(0.5 * (log_track[1:] + log_track[:-1]), order)
    wide = mean_cycle.STEADY_REVS / step
    blur = mean_cycle.gaussian_filter1d(np.eye(count - 1), wide, axis=0, mode="constant")
    loose = (wide**0.5) * mean_cycle.STEADY
    moved = (variance * (step / 2.0) ** (2 * order - 1)) ** 0.5
    rows = np.concatenate([np.sqrt(weight)[:, None] * relative, rough / moved, blur @ slope / loose])
    sides = np.concatenate([np.sqrt(weight) * seen, -known / moved, np.zeros(count - 1)])
    dense = np.linalg.lstsq(rows, sides, rcond=None)[0]
    assert np.diff(lag) == pytest.approx(np.diff(dense), abs=1e-4 * np.abs(np.diff(dense)).max())


def test_a_band_is_read_between_its_samples_and_held_beyond_its_ends() -> None:
    """Against the cubic splines of a general library, ``scipy.ndimage.map_coordinates``."""
    from scipy.ndimage import map_coordinates

    samples = np.random.default_rng(5).normal(size=400).astype(np.float32)
    when = np.random.default_rng(6).uniform(-0.002, 402 / RATE_HZ, 900)
    plain = map_coordinates(samples, [when * RATE_HZ], order=3, mode="nearest")
    assert Baseband(samples, RATE_HZ).at(when) == pytest.approx(plain, abs=1e-6)
