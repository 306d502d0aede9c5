"""Write one clip of the bay made afresh, as a phone would send it, with its truth beside it."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from audiodiag.files import write_bytes_whole, write_text_whole
from audiodiag.simulation.codecs import encode

from .bay import make_scene

__all__ = ["write_clip"]


def write_clip(folder: Path, seed: int, *, duration_s: float | None = None) -> Path:
    """Write the clip of one seed and NAME.truth.json into a folder that exists; give the clip's path.

    duration_s: None as the seed draws it.
    """
    scene = make_scene(seed, duration_s=duration_s)
    truth = scene.truth
    name = f"afresh_{seed:06d}"
    file = folder / f"{name}.{truth['codec']}"
    with tempfile.TemporaryDirectory() as aside:
        made = encode(
            scene.samples,
            scene.rate,
            Path(aside) / file.name,
            truth["codec"],
            truth["bit_rate"],
            quick=truth["quick_encoder"],
        )
        write_bytes_whole(file, made.read_bytes())
    write_text_whole(folder / f"{name}.truth.json", json.dumps({"file": file.name, **truth}) + "\n")
    return file
