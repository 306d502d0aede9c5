"""Blocks of digital silence hold no lines that could lie in the same places."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audiodiag.clip.level import _lines_stand

RATE_HZ = 1000


@pytest.mark.parametrize("silent", ["all", "moved", "none"])
def test_lines_of_silence_stand_nowhere(silent):
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    moved = np.arange(200) >= 120
    tones = sum(np.sin(2 * np.pi * hz * time_s) for hz in (53.0, 106.0, 159.0)).astype(np.float32)
    heard = {"all": 0.0 * time_s, "moved": time_s < 11.5, "none": np.where(time_s < 12.0, 1.0, 0.3)}[silent]
    spectra = SimpleNamespace(low_signal=(tones * heard).astype(np.float32), low_rate_hz=RATE_HZ, block_s=0.1)
    assert _lines_stand(spectra, moved) is (silent == "none")
