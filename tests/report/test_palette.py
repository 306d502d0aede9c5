from __future__ import annotations

import numpy as np
import pytest

from audiodiag.report.palette import PHASE_GREYS, even_colours, lab_to_srgb, srgb_to_lab


def test_colour_space_there_and_back():
    colours = np.random.default_rng(3).uniform(0, 1, (500, 3))
    assert lab_to_srgb(srgb_to_lab(colours)) == pytest.approx(colours, abs=1e-6)


@pytest.mark.parametrize(
    ("primary", "luminance"),
    [((1, 0, 0), 0.2126), ((0, 1, 0), 0.7152), ((0, 0, 1), 0.0722), ((1, 1, 1), 1.0)],
)
def test_lightness_of_the_primaries(primary, luminance):
    """Luminance of the sRGB primaries: IEC 61966-2-1; lightness from it: CIE 15, L* = 116 Y^(1/3) - 16."""
    assert srgb_to_lab(np.array(primary, dtype=float))[0] == pytest.approx(
        116 * luminance ** (1 / 3) - 16, abs=0.01
    )


def test_steps_are_even_to_the_eye():
    steps = np.linalg.norm(np.diff(srgb_to_lab(even_colours(256)), axis=0), axis=1)
    assert steps.max() / steps.min() < 1.01


def test_order_is_kept_in_grey():
    lightness = srgb_to_lab(even_colours(256))[:, 0]
    assert np.diff(lightness).min() > 0.1
    assert lightness[0] < 15
    assert lightness[-1] > 90


def test_path_stays_inside_what_a_screen_can_show():
    colours = even_colours(256)
    assert srgb_to_lab(colours)[128] == pytest.approx(
        srgb_to_lab(np.clip(colours, 0.001, 0.999))[128], abs=0.2
    )
    assert ((colours > 0) & (colours < 1)).all(), "a clipped colour would bend the path"


def test_phases_differ_in_lightness():
    greys = sorted(float(grey) for grey in PHASE_GREYS.values())
    assert min(np.diff(greys)) > 0.08
