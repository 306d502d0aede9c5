"""What one worker does with one order: listen to a clip, or compare two sides, and leave a result.

A worker knows nothing of the desk's database. Its folder holds ``order.json``; it leaves ``result.json``,
``progress.json`` and, for a clip, ``sound.flac`` for the browser.
"""

from __future__ import annotations

import json
import resource
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.desk.settings import NOBODY
from audiodiag.errors import AudiodiagError
from audiodiag.files import write_text_whole

if TYPE_CHECKING:
    from audiodiag.records import Analysis, Clip, FloatArray
    from audiodiag.vehicle import Vehicle

__all__ = [
    "ORDER_FILE",
    "PROGRESS_FILE",
    "RESULT_FILE",
    "SOUND_FILE",
    "carry_out",
    "limit_this_process",
    "outline_of",
    "warm_up",
    "write_flac",
]

ORDER_FILE, RESULT_FILE, PROGRESS_FILE, SOUND_FILE = (
    "order.json",
    "result.json",
    "progress.json",
    "sound.flac",
)
OUTLINE_COLUMNS = 600
LONGEST_SOUND_S = 900.0
WARM_UP_S = 5.0
FIT_SHARE = 0.125
"""Share of the memory allowed up to which a worker may have grown to go on."""


def warm_up() -> None:
    """Load what every order needs, once, before the workers branch off: by listening to one shipped clip.

    Measured: a branched-off worker then spends 1.0 s on a clip of 12 s in place of 1.55 s.
    """
    import soundfile  # noqa: F401

    import audiodiag.report.jsonform  # noqa: F401
    from audiodiag.analysis import analyse
    from audiodiag.clip import read_clip
    from audiodiag.resources import shipped_folder

    for demo in sorted(shipped_folder("recordings_demo").glob("*pump_whine*.m4a"))[:1]:
        clip = read_clip(demo)
        some = clip.samples[: int(WARM_UP_S * clip.sample_rate_hz)]
        analyse(replace(clip, samples=some, other_channels=None))


def limit_this_process(limits: dict[str, int]) -> None:
    """Bound memory, processor time, open files and written bytes of this process; no core dumps.

    The processor time counts from here: a worker that goes on to another order gets it anew, and over all its
    orders never more than ``turns`` times as much.
    """
    used = resource.getrusage(resource.RUSAGE_SELF)
    so_far_s = int(used.ru_utime + used.ru_stime)
    for kind, value, most in (
        (resource.RLIMIT_AS, limits["memory_bytes"], limits["memory_bytes"]),
        # first the signal that says why, then the end
        (resource.RLIMIT_CPU, so_far_s + limits["cpu_s"], limits["turns"] * limits["cpu_s"] + 2),
        (resource.RLIMIT_NOFILE, limits["files"], limits["files"]),
        (resource.RLIMIT_FSIZE, limits["output_bytes"], limits["output_bytes"]),
        (resource.RLIMIT_CORE, 0, 0),
    ):
        _, hard = resource.getrlimit(kind)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (min(value, most), most))


def carry_out(folder: Path) -> bool:
    """Do what the order says; what is refused is a result too, in words.

    Tells whether this process may do another order: not after one that took much memory or ran out of it.
    """
    order = json.loads((folder / ORDER_FILE).read_text(encoding="utf-8"))
    limit_this_process(order["limits"])
    fit = True
    try:
        result = _done(order, folder)
    except AudiodiagError as error:
        refusal = {"what": error.what, "got": error.got, "allowed": error.allowed, "todo": error.todo}
        result = {"refusal": _with_names(refusal, order.get("recordings", ()))}
    except MemoryError:
        fit = False
        result = {
            "refusal": {
                "what": "the recording needs more memory than one worker may take",
                "got": "more than the limit",
                "allowed": f"{order['limits']['memory_bytes'] // 10**6} MB",
                "todo": "send a shorter stretch, 10 to 60 seconds are enough",
            }
        }
    write_text_whole(folder / RESULT_FILE, json.dumps(result, allow_nan=False))
    most_bytes = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return fit and order["sender"] != NOBODY and most_bytes < FIT_SHARE * order["limits"]["memory_bytes"]


def _with_names(refusal: dict[str, str], recordings: Sequence[dict[str, Any]]) -> dict[str, str]:
    """Call recordings as people know them, not by the hash under which the desk keeps them.

    >>> _with_names({"what": "ab12 is silent"}, [{"path": "/vault/ab12", "name": "hiss.m4a"}])
    {'what': 'hiss.m4a is silent'}
    """
    for recording in recordings:
        kept, name = Path(recording["path"]).name, recording["name"]
        refusal = {key: text.replace(kept, name) for key, text in refusal.items()}
    return refusal


def _done(order: dict[str, Any], folder: Path) -> dict[str, Any]:
    kind = order["kind"]
    doing = {"listen": _heard, "compare": _compared, "bleed": _bled, "trend": _followed}
    if kind in doing:
        return doing[kind](order, folder)
    from audiodiag.desk import making

    makers = {
        "report": making.make_report,
        "parcel": making.make_parcel,
        "parts": making.make_parts,
        "unpack": making.open_parcel,
    }
    return makers[kind](order, folder, _teller(folder), _settings)


def outline_of(clip: Clip, columns: int = OUTLINE_COLUMNS) -> list[float]:
    """Give the greatest amplitude in each of so many equal stretches, 0 to 1, for a drawing of the clip."""
    import numpy as np

    size = np.abs(clip.samples)
    edges = np.linspace(0, len(size), min(columns, max(1, len(size))) + 1).astype(int)
    highest = np.maximum.reduceat(size, edges[:-1])
    return [round(float(value), 4) for value in np.minimum(1.0, highest)]


def _heard(order: dict[str, Any], folder: Path) -> dict[str, Any]:
    from audiodiag.analysis import analyse
    from audiodiag.causes import observations_heard
    from audiodiag.clip import read_clip
    from audiodiag.report.jsonform import analysis_to_dict
    from audiodiag.report.wording import is_simulated

    recording = order["recordings"][0]
    tell = _teller(folder)
    tell("reading the recording", 0.0)
    clip = _named(read_clip(recording["path"]), recording)
    write_flac(clip.samples, clip.sample_rate_hz, folder / SOUND_FILE)
    found = analyse(clip, progress=tell, **_settings(order, recording))
    judged = found.verdict.kind in ("symptoms", "normal")
    return {
        "analysis": analysis_to_dict(found, file=recording["name"]),
        "outline": outline_of(clip),
        "simulated": is_simulated(clip),
        "answers": observations_heard(found.symptoms, found.phases) if judged else {},
    }


def _compared(order: dict[str, Any], folder: Path) -> dict[str, Any]:
    from audiodiag.analysis import analyse
    from audiodiag.clip import read_clip
    from audiodiag.comparison import compare_sides
    from audiodiag.desk.making import comparison_files
    from audiodiag.report.compared_json import comparison_to_dict

    tell = _teller(folder)
    sides: dict[str, list[Analysis]] = {"before": [], "after": []}
    for number, recording in enumerate(order["recordings"]):
        tell(f"listening to {recording['name']}", number / (len(order["recordings"]) + 1))
        clip = _named(read_clip(recording["path"]), recording)
        sides[recording["side"]].append(analyse(clip, **_settings(order, recording)))
    tell("comparing", 0.9)
    found = compare_sides(
        sides["before"],
        sides["after"],
        names=("before", "after"),
        vehicle=_vehicle(order),
        one_phone=bool(order["settings"].get("one_phone")),
    )
    return {"comparison": comparison_to_dict(found), "files": comparison_files(found, folder)}


def _bled(order: dict[str, Any], folder: Path) -> dict[str, Any]:
    from audiodiag.causes import cautions_for, load_knowledge
    from audiodiag.comparison import watch_bleed
    from audiodiag.desk.making import bleed_picture
    from audiodiag.report.compared_json import bleed_to_dict
    from audiodiag.report.compared_text import BLEED_WORDS, bleed_report

    analyses = _analysed(order, folder)
    watch = watch_bleed(analyses, cycle_s=order["settings"].get("cycle_s"))
    cautions = cautions_for(["cavitation_groan"], [], knowledge=load_knowledge())
    values = bleed_to_dict(watch, analyses, cautions)
    said = bleed_report(watch, analyses, width=200).splitlines()
    sentence = BLEED_WORDS[watch.state]
    after = said[said.index(sentence) + 1 :]
    advice = [line.strip() for line in after[: next(i for i, each in enumerate(after) if each[0] != " ")]]
    values |= {"said": said, "sentence": sentence, "advice": advice}
    return {"comparison": values, "files": bleed_picture(watch, analyses, folder)}


def _followed(order: dict[str, Any], folder: Path) -> dict[str, Any]:
    from audiodiag.causes import cautions_for, load_knowledge
    from audiodiag.comparison import symptom_trends
    from audiodiag.desk.making import trend_picture
    from audiodiag.report.compared_json import trend_to_dict

    analyses = _analysed(order, folder)
    unit = "day" if order["settings"]["unit"] == "day" else "km"
    trends = symptom_trends(analyses, order["settings"]["at"], unit=unit)
    cautions = cautions_for(sorted(each.name for each in trends), [], knowledge=load_knowledge())
    values = trend_to_dict(trends, analyses, unit=unit, cautions=cautions)
    return {"comparison": values, "files": trend_picture(trends, analyses, unit, folder)}


def _analysed(order: dict[str, Any], folder: Path) -> list[Analysis]:
    """Listen to each recording of an order in turn."""
    from audiodiag.analysis import analyse
    from audiodiag.clip import read_clip

    tell = _teller(folder)
    found = []
    for number, recording in enumerate(order["recordings"]):
        tell(f"listening to {recording['name']}", number / (len(order["recordings"]) + 1))
        clip = _named(read_clip(recording["path"]), recording)
        found.append(analyse(clip, **_settings(order, recording)))
    tell("comparing", 0.9)
    return found


def _named(clip: Clip, recording: dict[str, Any]) -> Clip:
    return replace(clip, name=recording["name"])


def _settings(order: dict[str, Any], recording: dict[str, Any]) -> dict[str, Any]:
    """What `analyse` is told; a report or parcel speaks with the answers and the car's life as well."""
    told = {
        "vehicle": _vehicle(order),
        "speed_rpm": recording.get("speed_rpm"),
        "steering_marks": recording.get("steering") or None,
    }
    if order.get("seen"):
        told["observations"] = _still_known(order["seen"])
    life = {key: value for key, value in order.get("life", {}).items() if value}
    if life and order["kind"] in ("report", "parcel"):
        from audiodiag.causes import load_knowledge
        from audiodiag.causes.answers import circumstances_of

        if "renewed" in life:
            life["renewed"] = life["renewed"].split(",")
        told["circumstances"] = circumstances_of(life, {}, load_knowledge())
    return told


def _still_known(seen: dict[str, str]) -> dict[str, str]:
    """Leave out answers that a newer knowledge no longer has."""
    from audiodiag.causes import load_knowledge

    known = {
        observation.name: {answer.name for answer in observation.answers} | {"not_looked"}
        for observation in load_knowledge().observations
    }
    return {name: answer for name, answer in seen.items() if answer in known.get(name, ())}


def _vehicle(order: dict[str, Any]) -> Vehicle | None:
    from audiodiag.vehicle import Vehicle, with_options

    stated = {key: value for key, value in order.get("car", {}).items() if value is not None}
    return with_options(Vehicle(), **stated) if stated else None


def write_flac(samples: FloatArray, sample_rate_hz: int, path: Path) -> None:
    """Write what a browser plays, at the loudness of the recording; samples of shape (n,), full scale 1."""
    import numpy as np
    import soundfile

    most = int(LONGEST_SOUND_S * sample_rate_hz)
    cut = np.clip(np.asarray(samples[:most], dtype=np.float32), -1.0, 1.0)
    soundfile.write(path, cut, sample_rate_hz, format="FLAC", subtype="PCM_16")


def _teller(folder: Path) -> Any:
    def tell(step: str, share: float) -> None:
        part = folder / f"{PROGRESS_FILE}.part"
        part.write_text(json.dumps({"step": step, "share": round(share, 3)}), encoding="utf-8")
        part.replace(folder / PROGRESS_FILE)

    return tell
