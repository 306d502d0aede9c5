"""What must not be in the house: pickles, paths of one machine, hosts of registries, big files."""

from __future__ import annotations

import re

from tests.house.house import ROOT, text_of, tracked_files

SLASH = "/"
MACHINE_PATH = re.compile(
    rf"(?<![\w.\-{SLASH}>}}])(?:{SLASH}(?:work|opt|root|home|tmp|Users|mnt){SLASH}\w|[A-Z]:\\\\?Users)"
)
REGISTRY_HOSTS = tuple(
    ".".join(parts)
    for parts in (
        ("pypi", "org"),
        ("python" + "hosted", "org"),
        ("anaconda", "org"),
        ("registry", "npmjs"),
        ("crates", "io"),
        ("huggingface", "co"),
    )
)
STORED_OBJECTS = {".pkl", ".pickle", ".joblib", ".npy", ".npz", ".pt", ".skops"}
PICKLING = re.compile(
    r"^\s*(?:import|from)\s+(?:pickle|cPickle|dill|joblib|cloudpickle|marshal|shelve)\b", re.MULTILINE
)
MOST_BYTES = 3_000_000
MOST_DEMO_BYTES = 6_000_000


def _texts():
    return [(path, text) for path in tracked_files() if (text := text_of(path)) is not None]


def test_no_stored_objects():
    assert [path.name for path in tracked_files() if path.suffix in STORED_OBJECTS] == []
    assert [str(path) for path, text in _texts() if path.suffix == ".py" and PICKLING.search(text)] == []


def test_no_path_of_one_machine():
    assert [str(path.relative_to(ROOT)) for path, text in _texts() if MACHINE_PATH.search(text)] == []


def test_no_host_of_a_registry():
    assert [
        str(path.relative_to(ROOT)) for path, text in _texts() if any(h in text for h in REGISTRY_HOSTS)
    ] == []


def test_the_patterns_find_what_they_are_for():
    for planted in ("work", "home", "tmp"):
        assert MACHINE_PATH.search(f'path = "{SLASH}{planted}{SLASH}clips"')
    for innocent in ("https://example.net/home/page", f"per cent{SLASH}work{SLASH}load"):
        assert not MACHINE_PATH.search(innocent)
    assert PICKLING.search("import os\n    import " + "pickle\n")


def test_no_file_is_big():
    assert [path.name for path in tracked_files() if path.stat().st_size > MOST_BYTES] == []
    demo = [path for path in tracked_files() if path.relative_to(ROOT).parts[0] == "recordings_demo"]
    assert sum(path.stat().st_size for path in demo) < MOST_DEMO_BYTES


def test_top_level_holds_what_is_fixed():
    files = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
    folders = {"audiodiag", "models", "recordings_demo", "tests", "notebooks"}
    top = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    assert {name for name in top if not name.startswith(".")} <= files | folders
