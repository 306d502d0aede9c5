"""The parts to listen to as files: one FLAC a part, and a JSON file that says what each is.

The parts add up to the clip. FLAC holds 24 bits below full scale, so where a part is louder than that, all
parts are turned down alike, and the JSON says by how much.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiodiag.errors import UsageError
from audiodiag.files import write_bytes_whole, write_text_whole
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import Analysis, Clip, FloatArray
from audiodiag.report.wording import is_simulated

__all__ = ["PART_SYMPTOMS", "PART_WORDS", "PumpGuess", "WrittenPart", "write_parts"]

SCHEMA = "audiodiag/parts/1"
FULL_SCALE = 0.999
LIMITED = 1.0 - 2.0**-23

PART_WORDS = {
    "engine": "tones at the engine's half orders: firing, valve gear",
    "pump": "tones at the steering pump's orders: the vanes passing and their sidebands",
    "groan": "noise that swells in stretches and swings with the pump's turn",
    "squeal": "tones from 1.2 to 10.5 kHz that wander or come and go",
    "chirp": "short bursts from 1.5 to 15 kHz",
    "rest": "all else: the engine's noise, wind, voices, the recording itself",
}
PART_SYMPTOMS = {
    "pump": "pump_whine",
    "groan": "cavitation_groan",
    "squeal": "belt_squeal",
    "chirp": "belt_chirp",
}
"""The symptom that a part is for."""


@dataclass(frozen=True)
class PumpGuess:
    """Where the pump's tones were sought: order of the first, turns a crank turn, and how that is known."""

    first_order: float | None
    pump_ratio: float | None
    source: str


@dataclass(frozen=True)
class WrittenPart:
    """One part as written: its name, its file, its level re the clip (dB, None where silent)."""

    name: str
    file: str
    level_db: float | None
    probability: float | None


def write_parts(
    parts: ListeningParts,
    analysis: Analysis,
    folder: Path,
    *,
    pump: PumpGuess,
    stem: str,
    left_out: Collection[str],
) -> tuple[WrittenPart, ...]:
    """Write STEM-PART.flac for every part not left out, and STEM-parts.json; all of them or none.

    ``left_out``: names of parts that were not looked for (they must be silent). Raises ``UsageError`` where
    the folder cannot be written; what was written until then is taken away, since parts that do not add up to
    the clip would mislead.
    """
    made: list[Path] = []
    try:
        return _written(parts, analysis, folder, pump, stem, left_out, made)
    except UsageError:
        for file in made:
            with suppress(OSError):
                file.unlink()
        raise


def _written(
    parts: ListeningParts,
    analysis: Analysis,
    folder: Path,
    pump: PumpGuess,
    stem: str,
    left_out: Collection[str],
    made: list[Path],
) -> tuple[WrittenPart, ...]:
    """Write the files and put each into ``made`` as soon as it is there."""
    clip = analysis.clip
    loudest = max(float(np.max(np.abs(part), initial=0.0)) for _, part in parts.items())
    gain = 1.0 if loudest <= LIMITED else FULL_SCALE / loudest
    written = []
    total = np.zeros(len(clip.samples))
    for name, part in parts.items():
        if name in left_out:
            continue
        file = f"{stem}-{name}.flac"
        steps = np.round(part.astype(np.float64) * gain * 2.0**23).astype(np.int64)
        steps = np.clip(steps, -(2**23), 2**23 - 1).astype(np.int32)
        total += steps / (2.0**23 * gain)
        made.append(write_bytes_whole(folder / file, _flac(steps, clip, name)))
        symptom = PART_SYMPTOMS.get(name)
        probability = None if symptom is None else analysis.symptom(symptom).probability
        written.append(WrittenPart(name, file, _level_db(part, clip.samples), probability))
    error_db = _level_db(total - clip.samples, clip.samples)
    said = _told(tuple(written), analysis, pump, gain, error_db)
    write_text_whole(folder / f"{stem}-parts.json", json.dumps(said, indent=1, ensure_ascii=False) + "\n")
    return tuple(written)


def _flac(steps: NDArray[np.integer[Any]], clip: Clip, name: str) -> bytes:
    """Give one part as the bytes of a FLAC file of 24 bits; steps: shape (n,), int32 within 24 bits."""
    import soundfile

    held = io.BytesIO()
    with soundfile.SoundFile(
        held, "w", samplerate=clip.sample_rate_hz, channels=1, format="FLAC", subtype="PCM_24"
    ) as file:
        simulated = " of a simulated clip" if is_simulated(clip) else ""
        file.title = f"{name}, one part{simulated}: {clip.name}"
        file.write(steps * np.int32(256))
    return held.getvalue()


def _level_db(part: FloatArray, whole: FloatArray) -> float | None:
    mine = float(np.mean(np.asarray(part, dtype=np.float64) ** 2))
    all_of_it = float(np.mean(np.asarray(whole, dtype=np.float64) ** 2))
    return round(10.0 * math.log10(mine / all_of_it), 2) if mine > 0.0 and all_of_it > 0.0 else None


def _told(
    written: tuple[WrittenPart, ...], analysis: Analysis, pump: PumpGuess, gain: float, error_db: float | None
) -> dict[str, Any]:
    clip, speed = analysis.clip, analysis.speed
    simulated = is_simulated(clip)
    known = np.asarray(speed.rpm)[np.isfinite(speed.rpm)]

    def rounded(value: float | None, digits: int) -> float | None:
        return None if value is None or not math.isfinite(value) else round(float(value), digits)

    return {
        "schema": SCHEMA,
        "clip": {
            "file": clip.name,
            "sha256": clip.sha256,
            "duration_s": round(clip.duration_s, 3),
            "sample_rate_hz": clip.sample_rate_hz,
            "channel": clip.channel_used,
        },
        "simulated": simulated,
        "notice": "This is a simulated clip, not a recording of a car." if simulated else None,
        "speed": {
            "source": speed.source,
            "confidence": rounded(speed.confidence, 4),
            "median_rpm": rounded(speed.median_rpm, 1),
            "lowest_rpm": rounded(float(known.min()), 1) if known.size else None,
            "highest_rpm": rounded(float(known.max()), 1) if known.size else None,
            "cylinders": speed.cylinders,
        },
        "pump": {
            "first_order": rounded(pump.first_order, 3),
            "pump_ratio": rounded(pump.pump_ratio, 4),
            "source": pump.source,
        },
        "gain_db": round(20.0 * math.log10(gain), 3),
        "sum_error_db": error_db,
        "parts": [
            {
                "name": part.name,
                "file": part.file,
                "what": PART_WORDS[part.name],
                "level_db": part.level_db,
                "probability": rounded(part.probability, 4),
            }
            for part in written
        ],
    }
