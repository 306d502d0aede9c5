"""A recording whose own title calls it simulated is called so; nothing else of the tags is taken over."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from clip_signals import encode, engine_like

from audiodiag.clip import read_clip

DEMOS = Path(__file__).resolve().parents[2] / "recordings_demo"
SOUND = engine_like(seed=31, duration_s=4.0, rate_hz=48_000)
FORMATS = [
    ("c.wav", "pcm_s16le"),
    ("c.opus", "libopus"),
    ("c.mp3", "libmp3lame"),
    ("c.m4a", "aac"),
    ("c.flac", "flac"),
    ("c.mkv", "flac"),
    ("c.3gp", "libopencore_amrnb"),
]


def titled(path: Path, coder: str, **tags: str) -> Path:
    rate_hz = 8000 if "amr" in coder else 48_000
    sound = np.ascontiguousarray(SOUND[None, :: 48_000 // rate_hz])
    with av.open(str(path), "w") as out:
        out.metadata.update(tags)
        stream = out.add_stream(coder, rate=rate_hz, layout="mono")
        for start in range(0, sound.shape[1], 4096):
            part = np.ascontiguousarray(sound[:, start : start + 4096])
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = rate_hz, start
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def codes(path: Path) -> list[str]:
    return [note.code for note in read_clip(path).notes]


@pytest.mark.parametrize(
    "path", sorted(p for p in DEMOS.iterdir() if p.suffix in {".m4a", ".mp3", ".opus", ".3gp"})
)
def test_every_demo_clip_is_called_simulated(path: Path) -> None:
    first = read_clip(path).notes[0]
    assert (first.code, first.severity) == ("simulated", "info")
    assert "simulated recording" in first.text
    assert "not a real car" in first.text


@pytest.mark.parametrize(("name", "coder"), FORMATS)
def test_title_is_read_in_every_container(tmp_path: Path, name: str, coder: str) -> None:
    assert codes(titled(tmp_path / name, coder, title="SIMULATED clip, seed 9"))[0] == "simulated"
    assert "simulated" not in codes(titled(tmp_path / f"other_{name}", coder, title="Kitchen, dissimulated"))
    assert "simulated" not in codes(titled(tmp_path / f"none_{name}", coder))


def test_only_the_title_counts_and_no_tag_reaches_the_clip(tmp_path: Path) -> None:
    path = titled(
        tmp_path / "c.flac", "flac", title="My drive", comment="simulated 47.1 N 8.2 E", artist="Telephone X"
    )
    clip = read_clip(path)
    assert "simulated" not in [note.code for note in clip.notes]
    said = repr([getattr(clip, name) for name in ("name", "codec", "notes")])
    for word in ("47.1", "Telephone", "My drive"):
        assert word not in said


def test_word_in_the_sound_data_or_the_name_is_no_title(tmp_path: Path) -> None:
    path = encode(tmp_path / "simulated.3gp", "libopencore_amrnb", SOUND[::6], 8000)
    data = bytearray(path.read_bytes())
    at = data.find(b"mdat") + 400
    data[at : at + 18] = b"titl....simulated."
    path.write_bytes(bytes(data))
    assert "simulated" not in codes(path)
