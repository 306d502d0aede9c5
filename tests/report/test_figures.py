from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from audiodiag.records import SYMPTOMS, read_only
from audiodiag.report.figures import picture, picture_png
from audiodiag.report.levels import SOUND_BANDS_HZ, SOUND_FREQUENCIES, SOUND_ORDERS
from tests.report.examples import (
    RATE_HZ,
    cannot_tell_analysis,
    crowded_analysis,
    findings,
    normal_analysis,
    simulated_clip,
    squeal_analysis,
)


def words(figure) -> str:
    from matplotlib.text import Text

    return " | ".join(found.get_text() for found in figure.findobj(Text) if found.get_text())


def pixels(png: bytes) -> np.ndarray:
    import matplotlib.image

    return matplotlib.image.imread(io.BytesIO(png), format="png")


@pytest.mark.parametrize(
    "example", [squeal_analysis, normal_analysis, cannot_tell_analysis, crowded_analysis]
)
def test_picture_is_written(example):
    png = picture_png(example(), dots_per_inch=60)
    height, width, _ = pixels(png).shape
    assert width == 372
    assert height > width, "a phone is held upright"


def test_axes_say_their_units():
    labels = [axes.get_ylabel() for axes in picture(squeal_analysis()).axes]
    assert labels[:4] == ["frequency (kHz)", "heard", "speed (rpm)", "order (events / rev)"]
    assert "time (s)" in words(picture(squeal_analysis()))
    assert "level (dB below the loudest)" in words(picture(squeal_analysis()))


def test_found_sounds_are_named_and_marked_when_they_sound():
    figure = picture(squeal_analysis())
    said = words(figure)
    assert "1  belt squeal, 93 % sure" in said
    assert "2  pump whine, 64 % sure" in said
    doubted = words(picture(replace(squeal_analysis(), symptoms=findings(belt_squeal=0.9, belt_chirp=0.3))))
    assert "2  perhaps belt chirp, 30 % sure" in doubted
    assert "belt chirp" not in said
    bars = [(bar.get_x(), bar.get_width()) for bar in figure.axes[1].patches]
    assert (4.0, 2.0) in bars
    frames = {(frame.get_x(), frame.get_width()) for frame in figure.axes[0].patches}
    assert (4.0, 2.0) in frames


def test_order_locked_sound_is_marked_at_its_order():
    figure = picture(replace(squeal_analysis(), measurements={"whine_order": 12.0}))
    frames = [frame.get_y() + frame.get_height() / 2 for frame in figure.axes[3].patches]
    assert frames
    assert frames == pytest.approx([12.0] * len(frames))
    heights = [10 ** (f.get_y() + f.get_height() / 2) for f in figure.axes[0].patches]
    assert min(heights) == pytest.approx(12 * 793 / 60, rel=0.02)


def test_squeal_is_framed_where_it_was_measured():
    figure = picture(
        replace(squeal_analysis(), measurements={"squeal_frequency_hz": 3000.0, "whine_order": np.nan})
    )
    heights = {round(10 ** (f.get_y() + f.get_height() / 2)) for f in figure.axes[0].patches}
    assert 3000 in heights


def test_measurements_that_place_a_sound_are_measured():
    from audiodiag.symptoms import MEASUREMENT_NAMES

    assert {*SOUND_ORDERS.values(), *SOUND_FREQUENCIES.values()} <= set(MEASUREMENT_NAMES)
    assert SOUND_BANDS_HZ.keys() == set(SYMPTOMS)


def test_loudest_row_of_the_spectrogram_lies_at_its_frequency():
    """A tone of 1 kHz in the file lies at 1 kHz in the picture: a wrong sample rate would move it."""
    clip = simulated_clip()
    tone = np.sin(2 * np.pi * 1000 * np.arange(5 * RATE_HZ) / RATE_HZ).astype(np.float32)
    image = picture(replace(squeal_analysis(), clip=replace(clip, samples=read_only(tone)))).axes[0].images[0]
    level = np.asarray(image.get_array())
    _, _, low, high = image.get_extent()
    row = float(np.mean(np.argmax(level, axis=0))) + 0.5
    assert 10 ** (low + (high - low) * row / level.shape[0]) == pytest.approx(1000, rel=0.03)


def test_loudest_row_of_the_order_map_lies_at_its_order():
    image = picture(squeal_analysis()).axes[3].images[0]
    level = np.asarray(image.get_array())
    _, _, low, high = image.get_extent()
    row = float(np.nanmedian(np.argmax(np.nan_to_num(level, nan=-99), axis=0))) + 0.5
    assert low + (high - low) * row / level.shape[0] == pytest.approx(2.0, abs=0.15)


def test_unknown_speed_and_refusal_are_said():
    said = words(picture(cannot_tell_analysis()))
    assert "engine speed unknown" in said
    assert "no order map without engine speed" in said
    assert "nothing is claimed about any sound" in said
    assert "steering unknown" in said


def test_phases_are_written_on_the_speed():
    said = words(picture(squeal_analysis()))
    assert said.count("turn") == 2
    assert "stop" in said


def test_simulated_clip_is_called_simulated():
    assert "kitchen.m4a (simulated clip)" in words(picture(cannot_tell_analysis()))


def test_name_with_signs_of_formulas_is_drawn_as_it_is():
    clip = replace(simulated_clip(), name="cost $5 and $6 \x1b[2J.m4a")
    picture_png(replace(squeal_analysis(), clip=clip), dots_per_inch=40)


def test_very_short_and_silent_clips_are_drawn():
    clip = replace(simulated_clip(), samples=read_only(np.zeros(500, dtype=np.float32)))
    picture_png(replace(cannot_tell_analysis(), clip=clip), dots_per_inch=40)


def test_same_analysis_gives_the_same_bytes():
    assert picture_png(normal_analysis(), dots_per_inch=40) == picture_png(
        normal_analysis(), dots_per_inch=40
    )


def test_no_global_state_of_drawing_is_loaded():
    code = (
        "import sys; from tests.report.examples import normal_analysis;"
        "from audiodiag.report.figures import picture_png; picture_png(normal_analysis(), dots_per_inch=40);"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
