"""Levels as a picture without axes: the bytes of a PNG file with a palette, small enough for a page."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.report.palette import even_colours

__all__ = ["data_address", "levels_png", "steps_png"]

STEPS = 61
"""Steps of level in a picture: finer ones cannot be told apart and cost space."""


def levels_png(
    level_db: FloatArray, low_db: float, high_db: float, colours: FloatArray | None = None
) -> bytes:
    """Draw levels with the even palette; NaN becomes see-through.

    Parameters
    ----------
    level_db:
        Shape (rows, columns), the first row is drawn lowest.
    low_db, high_db:
        Levels of the darkest and the lightest colour.
    colours:
        Another palette, shape (n, 3), 0 to 1.

    >>> levels_png(np.array([[-60.0, np.nan], [0.0, -30.0]]), -60.0, 0.0)[:8]
    b'\\x89PNG\\r\\n\\x1a\\n'
    """
    palette = even_colours(STEPS) if colours is None else colours
    share = (np.asarray(level_db, dtype=float) - low_db) / (high_db - low_db)
    known = np.isfinite(share)
    steps = np.round(np.clip(np.where(known, share, 0.0), 0.0, 1.0) * (len(palette) - 1)).astype(np.uint8)
    steps[~known] = len(palette)
    return steps_png(steps[::-1], palette)


def steps_png(steps: np.ndarray, palette: FloatArray) -> bytes:
    """Write steps (shape (rows, columns), uint8, the first row on top) as PNG of colour type 3 (ISO 15948).

    The step after the last of the palette is see-through.
    """
    rows, columns = steps.shape
    lines = np.zeros((rows, columns + 1), np.uint8)
    lines[:, 1:] = steps
    colours = np.round(np.vstack([palette, [[0.5, 0.5, 0.5]]]) * 255).astype(np.uint8)
    see_through = bytes([255] * len(palette) + [0])
    parts = [
        (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)),
        (b"PLTE", colours.tobytes()),
        (b"tRNS", see_through),
        (b"IDAT", zlib.compress(lines.tobytes(), 9)),
        (b"IEND", b""),
    ]
    chunks = (
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def data_address(kind: str, content: bytes) -> str:
    """Give bytes as an address that holds them (RFC 2397), so that a page needs no other file.

    >>> data_address("audio/mp4", b"abc")
    'data:audio/mp4;base64,YWJj'
    """
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
