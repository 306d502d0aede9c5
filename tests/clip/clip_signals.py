"""Engine-like sounds and planted defects for the tests of the clip room; all simulated, all from a seed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from audiodiag.records import Clip


def engine_like(
    *,
    seed: int,
    duration_s: float = 20.0,
    rate_hz: int = 48_000,
    rpm: float = 780.0,
    cylinders: int = 4,
    noise_db: float = -12.0,
    revs: bool = False,
) -> np.ndarray:
    """A comb of half orders that wanders a little in speed, over coloured noise beating with the firing."""
    rng = np.random.default_rng(seed)
    n = round(duration_s * rate_hz)
    t = np.arange(n) / rate_hz
    drift = np.interp(t, np.linspace(0, duration_s, 24), rng.normal(0.0, 0.008, 24))
    speed = rpm * (1.0 + drift)
    if revs:
        centre = 0.5 * duration_s
        speed = speed * (1.0 + 1.2 * np.exp(-0.5 * ((t - centre) / (0.08 * duration_s)) ** 2))
    turns = np.cumsum(speed) / 60.0 / rate_hz
    sound = np.zeros(n)
    highest = int(min(4000.0, 0.4 * rate_hz) / (0.5 * rpm / 60.0) / (2.3 if revs else 1.0))
    fundamental = np.exp(2j * np.pi * 0.5 * turns)
    rotor = np.ones(n, dtype=complex)
    for k in range(1, min(highest, 160) + 1):
        rotor = rotor * fundamental
        order = 0.5 * k
        firing = (order % (cylinders / 2.0)) == 0.0
        strength = (1.0 if firing else 0.18 * rng.uniform(0.3, 1.5)) / (1.0 + (order / 6.0) ** 1.1)
        sound += strength * (rotor * np.exp(2j * np.pi * rng.uniform())).real
    sound *= (speed / rpm) ** 1.0
    noise = lfilter([1.0], [1.0, -0.85], rng.standard_normal(n)) + 0.3 * rng.standard_normal(n)
    noise *= 1.0 + 0.4 * np.cos(2 * np.pi * turns * cylinders / 2.0)
    noise *= (speed / rpm) ** 1.5
    noise *= np.std(sound) / np.std(noise) * 10 ** (noise_db / 20.0)
    sound = sound + noise
    return (sound * 0.12 / np.std(sound)).astype(np.float32)


def babble_like(
    *, seed: int, duration_s: float, rate_hz: int = 48_000, pitch_hz: float = 130.0
) -> np.ndarray:
    """Simulated speech: a buzzing voice of moving pitch through three moving resonances, in syllables."""
    rng = np.random.default_rng(seed)
    n = round(duration_s * rate_hz)
    out = np.zeros(n)
    at = 0
    while at < n:
        length = int(rng.uniform(0.12, 0.3) * rate_hz)
        pause = int(rng.uniform(0.02, 0.1) * rate_hz) + (int(0.5 * rate_hz) if rng.uniform() < 0.12 else 0)
        m = min(length, n - at)
        t = np.arange(m) / rate_hz
        pitch = pitch_hz * rng.uniform(0.8, 1.3) * (1.0 + rng.uniform(-0.8, 0.6) * t)
        phase = np.cumsum(pitch) / rate_hz
        buzz = np.diff(np.floor(phase), prepend=0.0)
        voiced = lfilter([1.0], [1.0, -0.96], buzz) + 0.002 * rng.standard_normal(m)
        for centre, width in ((rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 120), (2600.0, 200)):
            pole = np.exp(-np.pi * width / rate_hz)
            angle = 2 * np.pi * centre / rate_hz
            voiced = voiced + 3 * lfilter([1 - pole], [1.0, -2 * pole * np.cos(angle), pole**2], voiced)
        shape = np.sin(np.pi * np.arange(m) / max(length, 1)) ** 0.7
        out[at : at + m] = voiced * shape
        at += length + pause
    out -= np.mean(out)
    return (out * 0.12 / np.std(out)).astype(np.float32)


def wind_like(*, seed: int, duration_s: float, rate_hz: int = 48_000) -> np.ndarray:
    """Simulated wind at a microphone: noise falling steeply above 60 Hz, in gusts of about a second."""
    rng = np.random.default_rng(seed)
    n = round(duration_s * rate_hz)
    rumble = sosfilt(butter(2, [15.0, 90.0], "bandpass", fs=rate_hz, output="sos"), rng.standard_normal(n))
    knots = max(4, int(duration_s * 1.5))
    gust_db = np.interp(np.arange(n), np.linspace(0, n, knots), rng.normal(0.0, 8.0, knots))
    rumble = rumble * 10 ** (gust_db / 20.0)
    return (rumble / np.std(rumble) * 0.12).astype(np.float32)


def as_clip(samples: np.ndarray, *, rate_hz: int = 48_000, codec: str = "pcm_s16le", **more: Any) -> Clip:
    return Clip(
        samples=np.asarray(samples, dtype=np.float32),
        sample_rate_hz=rate_hz,
        name="simulated",
        sha256="0" * 64,
        codec=codec,
        file_sample_rate_hz=rate_hz,
        **more,
    )


def encode(
    path: Path,
    codec: str,
    samples: np.ndarray,
    rate_hz: int,
    *,
    bit_rate: int | None = None,
    container: str | None = None,
    start_at: tuple[int, ...] = (),
) -> Path:
    """Write samples, shape (n,) or (channels, n), in any coding; ``start_at`` skips time before those
    blocks."""
    table = np.atleast_2d(np.asarray(samples, dtype=np.float32))
    layout = {1: "mono", 2: "stereo", 4: "quad", 6: "5.1"}[table.shape[0]]
    with av.open(str(path), "w", format=container) as out:
        stream: Any = out.add_stream(codec, rate=rate_hz)
        stream.layout = layout
        if bit_rate:
            stream.bit_rate = bit_rate
        jumped, block = 0, 4096
        for number, start in enumerate(range(0, table.shape[1], block)):
            part = np.ascontiguousarray(table[:, start : start + block])
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout=layout)
            frame.sample_rate = rate_hz
            if number in start_at:
                jumped += rate_hz // 2
            frame.pts = start + jumped
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path
