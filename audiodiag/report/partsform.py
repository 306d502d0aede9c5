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

from audiodiag.analysis import engine_followed
from audiodiag.errors import UsageError
from audiodiag.files import write_bytes_whole, write_text_whole
from audiodiag.orders.drive import ODD_VANES
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import Analysis, Clip, FloatArray
from audiodiag.report.wording import is_simulated

__all__ = [
    "PART_SYMPTOMS",
    "PART_WORDS",
    "PumpGuess",
    "WrittenPart",
    "doubt_words",
    "empty_pump_words",
    "odd_vanes_words",
    "write_parts",
]

SCHEMA = "audiodiag/parts/1"
FULL_SCALE = 0.999
LIMITED = 1.0 - 2.0**-23
NEXT_TO_NOTHING_DB = -25.0
"""Up to this level re the clip the pump's part holds next to nothing: in the simulated demo clips a pump that
whines has -8 dB or more, one sought where none is -26 dB or less unless its orders are the engine's own."""

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
    """Where the pump's tones were sought: order of the first, turns a crank turn, and how that is known.

    stated: turns a crank turn and vanes as stated, else None. confirmed: a whine is heard there.
    """

    first_order: float | None
    pump_ratio: float | None
    source: str
    stated: tuple[float, int] | None = None
    confirmed: bool = False


@dataclass(frozen=True)
class WrittenPart:
    """One part as written: its name, its file, its level re the clip (dB, None where silent).

    probability: of the sound that the part is for, None where nothing is claimed about it.
    note: what to know before listening to it, None where there is nothing to say.
    """

    name: str
    file: str
    level_db: float | None
    probability: float | None
    note: str | None = None


def empty_pump_words(pump: PumpGuess, level_db: float | None) -> str | None:
    """Say that the part of a stated pump is nearly empty and what to check; None where that is not so.

    >>> print(empty_pump_words(PumpGuess(13.5, 1.35, "as stated", stated=(1.35, 10)), -33.9))
    ... # doctest: +NORMALIZE_WHITESPACE
    The pump was sought with 1.35 turns a crank turn and 10 vanes, as stated, and its part holds next to
    nothing (34 dB below the clip): this pump may hardly be heard here, the engine speed may be wrong, or the
    ratio or the number of vanes is not this car's; measure both pulleys again and count the vanes, or leave
    them out.
    >>> empty_pump_words(PumpGuess(12.0, 1.2, "as stated", stated=(1.2, 10)), -8.0) is None
    True
    """
    if pump.stated is None or pump.confirmed:
        return None
    if level_db is not None and level_db > NEXT_TO_NOTHING_DB:
        return None
    level = "silent" if level_db is None else f"{-level_db:.0f} dB below the clip"
    ratio, vanes = pump.stated
    return (
        f"The pump was sought with {ratio:.4g} turns a crank turn and {vanes} vanes, as stated, "
        f"and its part holds next to nothing ({level}): this pump may hardly be heard here, the engine "
        "speed may be wrong, or the ratio or the number of vanes is not this car's; measure both pulleys "
        "again and count the vanes, or leave them out."
    )


def odd_vanes_words(pump: PumpGuess) -> str | None:
    """Say why a stated pump with an odd number of vanes is sought where it is; None for any other.

    >>> print(odd_vanes_words(PumpGuess(21.6, 1.2, "as stated", stated=(1.2, 9))))
    ... # doctest: +NORMALIZE_WHITESPACE
    That is twice 1.2 turns times 9 vanes. A pump with an odd number of vanes sounds mostly at twice that
    number a turn, because its two outlets act half a pitch apart, and only weakly at the number itself.
    >>> odd_vanes_words(PumpGuess(12.0, 1.2, "as stated", stated=(1.2, 10))) is None
    True
    """
    if pump.stated is None or pump.first_order is None or pump.stated[1] % 2 == 0:
        return None
    ratio, vanes = pump.stated
    if pump.first_order > 1.5 * ratio * vanes:
        return f"That is twice {ratio:.4g} turns times {vanes} vanes. {ODD_VANES}"
    return f"That is {ratio:.4g} turns times {vanes} vanes, where a tone is heard. {ODD_VANES}"


def doubt_words(analysis: Analysis) -> str | None:
    """Say what the parts are where no engine was heard or the clip cannot be judged; None for any other clip.

    In a clip that cannot be judged nothing is claimed about any sound, so that no probability is said either.
    """
    speed, verdict = analysis.speed, analysis.verdict
    followed = engine_followed(speed)
    if _judged(analysis):
        if followed or not speed.known:
            return None
        return (
            "No engine can be followed in this clip. So the parts of engine and pump hold what happens to "
            "lie at the orders of a guessed speed, and are no sign of either."
        )
    if followed and verdict.kind == "cannot_tell":
        return (
            f"What sounds in this clip cannot be told. {verdict.text} So no part is a sign that what it is "
            "for is there."
        )
    lead = "No engine is heard" if verdict.kind == "not_an_engine_bay" else "No engine can be followed"
    hold = "the parts of engine and pump stay in the rest"
    if speed.known:
        which = "a guessed" if speed.source == "acoustic" else "the stated"
        hold = f"the parts of engine and pump hold what happens to lie at the orders of {which} speed"
    return (
        f"{lead} in this clip. {verdict.text} So {hold}, and no part is a sign of an engine, a pump or a "
        "belt: they add up to the clip, and that is all that they tell."
    )


def _judged(analysis: Analysis) -> bool:
    return analysis.verdict.kind in ("symptoms", "normal")


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
    judged = _judged(analysis)
    written = []
    scale = gain * 2.0**23
    total = np.zeros(len(clip.samples), np.int64)
    for name, part in parts.items():
        if name in left_out:
            continue
        file = f"{stem}-{name}.flac"
        steps = np.round(part.astype(np.float64) * scale).astype(np.int64)
        if name == "rest":  # and what the others lost by rounding, which in a quiet clip is not nothing
            steps = np.round(clip.samples.astype(np.float64) * scale).astype(np.int64) - total
        steps = np.clip(steps, -(2**23), 2**23 - 1).astype(np.int32)
        total += steps
        made.append(write_bytes_whole(folder / file, _flac(steps, clip, name)))
        symptom = PART_SYMPTOMS.get(name)
        probability = analysis.symptom(symptom).probability if symptom is not None and judged else None
        level_db = _level_db(part, clip.samples)
        note = empty_pump_words(pump, level_db) if name == "pump" else None
        written.append(WrittenPart(name, file, level_db, probability, note))
    # None where not a step is lost.
    error_db = _level_db(total / scale - clip.samples, clip.samples)
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
        "doubt": doubt_words(analysis),
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
            "note": odd_vanes_words(pump),
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
                "note": part.note,
            }
            for part in written
        ],
    }
