"""Speed and pace together: the warped windows against an exact glide, the path against plain loops, blips."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.speed.acoustic import TRACK_LAW, speed_by_ear
from audiodiag.speed.front import CHANNELS, HOP_S, LOG_STEP, Baseband, basebands, front_end
from audiodiag.speed.glides import (
    JITTER_REACH,
    PACE_COST,
    PACES,
    STILL,
    follow_glides,
    glide_spectra,
    likely_paces,
    moving_frames,
    nearest_paces,
    of_paces,
)
from audiodiag.speed.glides import _jitter as jitter
from audiodiag.speed.glides import _pace_law as pace_law
from audiodiag.speed.moves import measured_moves
from audiodiag.speed.refine import steadied
from audiodiag.vehicle import Vehicle
from tests.speed.engines import RATE, clip_of, engine


def gliding_lines(pace: float, *, seconds: float, middle_hz: float, lines: int) -> Baseband:
    """Lines whose frequency is middle_hz times 1, 2, ... in the middle and grows by exp(pace t)."""
    rate = 2400.0
    t = np.arange(int(seconds * rate)) / rate - seconds / 2
    turns = middle_hz * (np.expm1(pace * t) / pace if pace else t)
    return Baseband(sum(np.cos(2 * np.pi * k * turns + k) for k in range(1, lines + 1)), rate)


def every(frames: int) -> np.ndarray:
    """All paces open in so many frames."""
    return np.ones((len(PACES), frames), bool)


@pytest.mark.parametrize("pace", [-1.7, -0.55, 0.45, 1.5, 3.6])
def test_lines_that_glide_stand_sharp_at_their_own_pace(pace: float) -> None:
    """Exact: a geometric glide is a tone where time is told by its angle."""
    low = gliding_lines(pace, seconds=1.6, middle_hz=110.0, lines=6)
    noise = np.random.default_rng(3).normal(0, 0.3, len(low.samples))
    bands = (Baseband((low.samples + noise).astype(np.float32), low.rate_hz),)
    front = front_end(bands, 1.6)
    frame = np.array([8])
    spectra = glide_spectra(bands, front, frame, every(1)).spectra[CHANNELS.index("low_short")]
    places = np.round(np.log(110.0 * np.arange(1, 7) / front.axis_hz[0]) / LOG_STEP).astype(int)
    heights = spectra[:, places].mean(axis=1)
    assert abs(int(heights.argmax()) - PACES.index(pace)) <= 1
    own = spectra[PACES.index(pace)]
    for place in places[:4]:
        near = own[place - 15 : place + 16]
        top = place - 15 + float(np.flatnonzero(near == near.max()).mean())
        assert abs(top - place) <= 2, "the line stands where it is in the middle of the window"
    if abs(pace) > 1.0:
        assert heights[PACES.index(pace)] > heights[STILL] + 1.0


def by_plain_loops(still, gliding, frames, is_open, temper):
    """The best path of all by dynamic programming over every pair of states, without any of the shortcuts."""
    count, grid = still.shape
    place = {int(f): i for i, f in enumerate(frames)}
    law, steps = pace_law(), jitter()
    shifts = [round(p * HOP_S / LOG_STEP) for p in PACES]

    def open_paces(f):
        return np.flatnonzero(is_open[:, place[f]]) if f in place else [STILL]

    def score(f, p, g):
        if f not in place:
            return temper * still[f, g]
        row = int(is_open.ravel()[: p * len(frames) + place[f]].sum())
        return temper * (gliding[row, g] - PACE_COST * abs(PACES[p]))

    best = {(p, g): (score(0, p, g), [(p, g)]) for p in open_paces(0) for g in range(grid)}
    for f in range(1, count):
        fresh = {}
        for p in open_paces(f):
            for g in range(grid):
                options = [
                    (value + law[q, p] + steps[g - h - shifts[q] + JITTER_REACH], way)
                    for (q, h), (value, way) in best.items()
                    if abs(g - h - shifts[q]) <= JITTER_REACH
                ]
                if options:
                    value, way = max(options, key=lambda each: each[0])
                    fresh[p, g] = (value + score(f, p, g), [*way, (p, g)])
        best = fresh
    way = max(best.values(), key=lambda each: each[0])[1]
    return [g for _, g in way], [p for p, _ in way]


def test_the_path_is_the_best_of_all() -> None:
    """Source of the recursion: Viterbi, in Rabiner, Proc. IEEE 77(2), 1989, 257 (from memory)."""
    rng = np.random.default_rng(5)
    for share in (1.0, 0.6, 0.3):
        still = rng.normal(0, 3, (6, 40))
        frames = np.array([1, 2, 4])
        is_open = rng.random((len(PACES), 3)) < share
        is_open[STILL] = True
        gliding = rng.normal(0, 3, (int(is_open.sum()), 40))
        tables = [np.stack([table, table[::-1], rng.permuted(table)]) for table in (still, gliding)]
        paths, paces = follow_glides(*tables, frames, is_open, temper=0.8)
        for number, one in enumerate(zip(*tables, strict=True)):
            alone = by_plain_loops(*one, frames, is_open, 0.8)
            assert (paths[number].tolist(), paces[number].tolist()) == alone


def test_paces_that_the_moves_rule_out_are_closed() -> None:
    """A rise of a doubling in 0.7 s is a pace of 1: the paces near it are open, falls are not."""
    t = np.arange(0.0, 6.0, 0.01)
    rpm = 800.0 * np.exp(np.clip(t - 2.5, 0.0, 0.9))
    sound = engine(t, rpm, cylinders=4, seed=7, snr_db=10.0)
    bands = basebands(sound, RATE)
    front = front_end(bands, 6.0)
    moves = measured_moves(front.spectra, TRACK_LAW)
    rising = np.arange(31, 33)
    is_open = likely_paces(moves, rising)
    assert is_open[[STILL, PACES.index(1.1)]].all()
    assert not is_open[np.array(PACES) < -0.5].any()
    assert not is_open[np.array(PACES) > 2.9].any()
    some = glide_spectra(bands, front, rising, is_open)
    whole = glide_spectra(bands, front, rising, every(len(rising)))
    assert some.spectra.shape[1] == is_open.sum()
    assert np.allclose(some.spectra, whole.spectra[:, whole.place[is_open]], atol=0.05)


def blipping(top_rpm: float, rise_s: float, *, cylinders: int, seed: int, snr_db: float = 0.0):
    """Two blips from an idle of 780 rpm: a rise of constant acceleration, a fall that halves in 0.7 s."""
    t = np.arange(0.0, 8.0, 0.01)
    rpm = np.full(len(t), 780.0)
    for start in (1.5, 4.8):
        after = t - start
        up = np.clip(after / rise_s, 0.0, 1.0)
        down = np.exp2(-np.maximum(after - rise_s, 0.0) / 0.7)
        rpm = np.maximum(rpm, np.where(after > 0, 780.0 + (top_rpm - 780.0) * up * down, 0.0))
    return t, rpm, engine(t, rpm, cylinders=cylinders, seed=seed, snr_db=snr_db)


@pytest.mark.parametrize(("cylinders", "top", "rise_s"), [(4, 3000, 0.4), (4, 2400, 0.35), (6, 3200, 0.5)])
def test_a_blip_of_the_throttle_is_followed_to_its_top(cylinders: int, top: float, rise_s: float) -> None:
    t, rpm, sound = blipping(top, rise_s, cylinders=cylinders, seed=11)
    found = speed_by_ear(clip_of(sound), vehicle=Vehicle(cylinders=cylinders))
    off = np.abs(np.log(found.rpm / np.interp(found.time_s, t, rpm)))
    assert np.mean(off > 0.05) < 0.1
    assert np.nanmax(found.rpm) > 0.85 * top


def test_an_idle_costs_no_glides_and_a_blip_does() -> None:
    t = np.arange(0.0, 8.0, 0.01)
    steady = engine(t, np.full(len(t), 800.0), cylinders=4, seed=2, snr_db=10.0)
    moved = blipping(2800.0, 0.4, cylinders=4, seed=2, snr_db=10.0)[2]
    counts = []
    for sound in (steady, moved):
        front = front_end(basebands(sound, RATE), 8.0)
        counts.append(len(moving_frames(measured_moves(front.spectra, TRACK_LAW))))
    assert counts[0] == 0
    assert counts[1] > 20


def test_without_movement_the_front_end_is_left_as_it_is() -> None:
    bands = basebands(np.random.default_rng(1).normal(0, 0.1, RATE * 2), RATE)
    front = front_end(bands, 2.0)
    none = np.zeros(0, np.intp)
    glides = glide_spectra(bands, front, none, every(0))
    heard = of_paces(front, glides, np.full(len(front.time_s), STILL))
    assert np.array_equal(heard.spectra, front.spectra)
    some = glide_spectra(bands, front, np.array([3, 9]), every(2))
    still = of_paces(front, some, np.full(len(front.time_s), STILL))
    assert np.array_equal(still.spectra, front.spectra)


def test_clips_shorter_than_a_window_are_borne() -> None:
    bands = basebands(np.random.default_rng(4).normal(0, 0.1, RATE // 5), RATE)
    front = front_end(bands, 0.2)
    count = len(front.time_s)
    glides = glide_spectra(bands, front, np.arange(count), every(count))
    assert np.isfinite(glides.spectra).all()
    assert moving_frames(np.zeros((0, 81))).size == 0


def test_the_nearest_pace_stands_still_where_the_speed_does() -> None:
    assert [PACES[k] for k in nearest_paces(np.array([0.0, 0.099, -0.13, 2.6, 50.0]))] == [
        0.0, 0.0, -0.17, 2.45, 3.6,
    ]  # fmt: skip


def test_a_blip_is_smoothed_less_than_an_idle() -> None:
    """A corner of a glide of a doubling in 0.4 s keeps its place within 4 %, an idle's flutter is halved."""
    rpm = 800.0 * np.exp2(np.clip((np.arange(60) - 30) * 0.1 / 0.4, 0.0, 1.0))
    assert np.abs(steadied(rpm, 1.5) / rpm - 1.0).max() < 0.04
    flutter = 800.0 * (1.0 + 0.005 * np.random.default_rng(1).choice([-1.0, 1.0], 60))
    assert np.std(steadied(flutter, 1.5)) < 0.5 * np.std(flutter)
