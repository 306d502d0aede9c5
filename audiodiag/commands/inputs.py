"""What commands share: from the texts that were typed to checked values, in words where that fails."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from audiodiag.errors import UsageError
from audiodiag.options import ANALYSE_OPTIONS, LIFE_OPTIONS, Option

__all__ = ["folder_for", "refuse_contradictions", "refuse_odd_tables", "settings_of", "values_of"]

MOST_TABLE_BYTES = 50_000_000
_SPEEDS = ("speed_rpm", "speed_table", "tach_channel", "tach_file")
_ONE_CLIP_ONLY = ("speed_table", "tach_file", "steering_marks", "steering_table")


def values_of(wanted: argparse.Namespace, options: Iterable[Option]) -> dict[str, Any]:
    """Turn the texts that were typed into values; what was not said is left out."""
    return {
        option.field: option.value_of(text)
        for option in options
        if option.kind != "flag"
        and not option.repeats
        and not option.many
        and (text := getattr(wanted, option.field)) is not None
    }


def refuse_contradictions(clips: list[str], given: dict[str, Any]) -> None:
    """Refuse options that do not fit together, in words."""
    flags = {option.field: option.flag for option in ANALYSE_OPTIONS}
    if not clips:
        raise UsageError(
            "no clip is named",
            got="no file",
            allowed="one or more recordings",
            todo="name one or more after the command, for example my_clip.m4a",
        )
    speeds = [flags[name] for name in _SPEEDS if name in given]
    if len(speeds) > 1:
        raise UsageError(
            "the engine speed is stated twice",
            got=" and ".join(speeds),
            allowed=f"one of {', '.join(flags[name] for name in _SPEEDS)}",
            todo="keep the one you trust most",
        )
    for name in ("pulses_per_rev", "missing_teeth"):
        if name in given and not {"tach_channel", "tach_file"} & given.keys():
            raise UsageError(
                f"{flags[name]} says how to read pulses, but no pulses are given",
                got=f"{flags[name]} alone",
                allowed=f"{flags[name]} with --tach-channel or --tach-file",
                todo=f"name the pulse channel or the pulse recording, or leave {flags[name]} out",
            )
    if "tach_channel" in given and given["tach_channel"] == given.get("channel"):
        raise UsageError(
            "one channel cannot be both the sound and the pulses",
            got=f"--channel and --tach-channel {given['channel']}",
            allowed="two different channels",
            todo="state which channel carries the engine's sound",
        )
    if {"steering_marks", "steering_table"} <= given.keys():
        raise UsageError(
            "the steering is stated twice",
            got="--steering and --steering-table",
            allowed="one of the two",
            todo="keep the one you trust most",
        )
    single = [flags[name] for name in _ONE_CLIP_ONLY if name in given]
    if single and len(clips) > 1:
        raise UsageError(
            f"{single[0]} belongs to one clip",
            got=f"{len(clips)} clips",
            allowed=f"one clip with {single[0]}",
            todo="analyse the clips one by one",
        )


def refuse_odd_tables(given: dict[str, Any]) -> None:
    """Refuse tables that are devices or pipes, from which reading might never end, or far too large."""
    flags = {option.field: option.flag for option in ANALYSE_OPTIONS}
    for name in ("speed_table", "steering_table"):
        table = Path(given.get(name, ""))
        if name not in given or not os.path.exists(table) or table.is_dir():  # noqa: PTH110
            continue
        ordinary = table.is_file()
        if not ordinary or table.stat().st_size > MOST_TABLE_BYTES:
            raise UsageError(
                f"{flags[name]} names no table that can be read",
                got=f"{table}: {table.stat().st_size} bytes" if ordinary else f"{table}: a device or a pipe",
                allowed=f"an ordinary CSV file of at most {MOST_TABLE_BYTES // 10**6} MB",
                todo="save the rows that belong to the clip as a CSV file first",
            )


def settings_of(given: dict[str, Any], saw: list[str]) -> dict[str, Any]:
    """Sort the options into what ``analyse`` takes: the car, the observations, the rest by name."""
    car = {
        option.field: given[option.field]
        for option in ANALYSE_OPTIONS
        if option.of_car and option.field in given
    }
    life = {option.field: given[option.field] for option in LIFE_OPTIONS if option.field in given}
    rest = {
        name: value
        for name, value in given.items()
        if name not in car and name not in life and name not in ("vehicle", "out")
    }
    if car or "vehicle" in given:
        from audiodiag.vehicle import Vehicle, read_vehicle, with_options

        stated = read_vehicle(given["vehicle"]) if "vehicle" in given else Vehicle()
        rest["vehicle"] = with_options(stated, **car)
    if saw:
        from audiodiag.causes import load_knowledge, observations_from_text

        rest["observations"] = observations_from_text(saw, load_knowledge())
    if life:
        from audiodiag.causes import load_knowledge
        from audiodiag.causes.answers import circumstances_of

        if "renewed" in life:
            life["renewed"] = [part.strip() for part in life["renewed"].split(",") if part.strip()]
        rest["circumstances"] = circumstances_of(life, {}, load_knowledge())
    if "prices" in given:
        from audiodiag.causes import load_knowledge

        load_knowledge(prices=given["prices"])  # refuses a bad file before the first clip
    return rest


def folder_for(clips: list[str], out: str | None) -> str | None:
    """Make the folder for pictures and rows, and refuse clips that would overwrite each other there."""
    if out is None:
        return None
    stems: dict[str, str] = {}
    for clip in clips:
        other = stems.setdefault(Path(clip).stem.casefold(), clip)
        if other is not clip:
            raise UsageError(
                "two clips would be written to one file",
                got=f"{other} and {clip}",
                allowed="clips whose names differ before the ending",
                todo="rename one of them, or write them to different folders",
            )
    try:
        Path(out).mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        there = isinstance(problem, FileExistsError)
        raise UsageError(
            "the folder for --out cannot be made",
            got=f"{out}: {'that is a file' if there else problem.strerror or problem}",
            allowed="a folder, or a new name where a folder may be made",
            todo="name another place",
        ) from problem
    if not os.access(out, os.W_OK | os.X_OK):
        raise UsageError(
            "the folder for --out cannot be written to",
            got=f"{out}: no permission to write",
            allowed="a folder of your own",
            todo="name another place, or change the permission of the folder",
        )
    return out
