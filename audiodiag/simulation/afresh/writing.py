"""Write one clip of the bay made afresh, as a phone would send it, with its truth beside it."""

from __future__ import annotations

from pathlib import Path

from audiodiag.simulation.writing import write_scene

from .bay import make_scene

__all__ = ["write_clip"]


def write_clip(folder: Path, seed: int, *, duration_s: float | None = None) -> Path:
    """Write the clip of one seed and NAME.truth.json into a folder that exists; give the clip's path.

    duration_s: None as the seed draws it.
    """
    return write_scene(make_scene(seed, duration_s=duration_s), folder, f"afresh_{seed:06d}")
