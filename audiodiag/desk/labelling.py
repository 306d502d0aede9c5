"""Corrections of people as label files beside their clips, as ``audiodiag train --add`` reads them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.tables import CarRow, CaseRow, LabelRow, RecordingRow
from audiodiag.desk.vault import Vault
from audiodiag.files import write_text_whole

__all__ = ["write_labels"]

_ENDINGS = frozenset(
    "3gp aac amr caf flac m4a mka mkv mov mp3 mp4 oga ogg opus wav webm".split()  # noqa: SIM905
)


def write_labels(session: Session, vault: Vault, folder: Path, recording: RecordingRow) -> Path | None:
    """Write the label file of a recording and its clip beside it; takes both away where nothing is judged.

    The files bear the recording's number, never the name that its sender gave it. Gives the label file.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    stem = f"recording_{recording.id:06d}"
    label_file = folder / f"{stem}.labels.toml"
    labels = session.scalars(
        select(LabelRow).where(LabelRow.recording_id == recording.id).order_by(LabelRow.symptom)
    ).all()
    ending = recording.file_name.rpartition(".")[2].lower()
    clip = folder / f"{stem}.{ending if ending in _ENDINGS else 'clip'}"
    if not labels:
        label_file.unlink(missing_ok=True)
        clip.unlink(missing_ok=True)
        return None
    if not clip.exists():
        source = vault.path_of(recording.sha256)
        try:
            os.link(source, clip)
        except OSError:  # another drive, or one without links
            part = clip.with_suffix(".part")
            with suppress(FileNotFoundError):
                part.unlink()
            shutil.copyfile(source, part)
            part.replace(clip)
    case = session.get_one(CaseRow, recording.case_id)
    cylinders = session.get_one(CarRow, case.car_id).cylinders
    lines = [f"{side} = [{_names(labels, side)}]" for side in ("heard", "absent")]
    if cylinders is not None:
        lines.append(f"cylinders = {cylinders}")
    lines.append(f'car = "case {case.id}"')
    return write_text_whole(label_file, "\n".join(lines) + "\n")


def _names(labels: Sequence[LabelRow], side: str) -> str:
    return ", ".join(f'"{label.symptom}"' for label in labels if label.judged == side)
