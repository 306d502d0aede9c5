"""Where the shipped models and demo recordings lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

__all__ = ["shipped_folder"]


def shipped_folder(name: str) -> Path:
    """Give the folder ``models`` or ``recordings_demo``, wherever this installation keeps it.

    A wheel carries them inside the package; a checkout has them beside it.

    >>> shipped_folder("models").name
    'models'
    """
    package = Path(__file__).resolve().parent
    inside = package / "_shipped" / name
    return inside if inside.is_dir() else package.parent / name
