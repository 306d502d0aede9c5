"""A module imports only from rooms on lower levels; inside a room it is free."""

from __future__ import annotations

import ast
from pathlib import Path

from tests.house.house import PACKAGE, ROOT, modules

LEVELS = {
    "errors": -1,  # the words in which every room complains
    "units": 0,
    "resources": 0,
    "files": 0,
    "statistics": 0,
    "records": 1,
    "vehicle": 1,
    "signal": 1.5,  # tools of signal processing that several rooms share
    "clip": 2,
    "speed": 2.5,  # reads a pulse recording as a clip
    "orders": 3,
    "steering": 3,
    "symptoms": 4,
    "simulation": 4,
    "classifier": 5,
    "causes": 6,
    "analysis": 7,
    "comparison": 7.5,  # the reports tell what it finds
    "report": 8,
    "cases": 8.5,  # a parcel holds the report
    "rows": 9,
    "options": 9,
    "commands": 9.5,
    "desk": 9,
    "batch": 9,
    "cli": 10,
    "__main__": 11,
}
"""Levels of the rooms, as in DEVELOPERS.md."""


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(source: str, module: str) -> list[tuple[int, str]]:
    """Line and room of every import of ours, also those inside functions; relative imports are resolved."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join([*module.split(".")[: -node.level], *([base] if base else [])])
            names = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "audiodiag" and len(parts) > 1 and parts[1] in LEVELS:
                found.append((node.lineno, parts[1]))
    return found


def broken_layers(files: dict[Path, str]) -> list[str]:
    """Say file and line of every import that does not go down."""
    said = []
    for path, source in files.items():
        room = room_of(path)
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for line, other in imported_rooms(source, module):
            if other != room and LEVELS[other] >= LEVELS[room]:
                said.append(
                    f"{path.relative_to(ROOT)}:{line}: {room} (level {LEVELS[room]:g}) "
                    f"imports {other} (level {LEVELS[other]:g})"
                )
    return said


def test_imports_go_down():
    files = {path: path.read_text(encoding="utf-8") for path in modules() if path != PACKAGE / "__init__.py"}
    assert not broken_layers(files)


def test_every_room_has_a_level():
    rooms = {room_of(path) for path in modules()} - {"__init__"}
    assert rooms <= LEVELS.keys()


def test_package_itself_loads_nothing_of_ours():
    assert imported_rooms((PACKAGE / "__init__.py").read_text(encoding="utf-8"), "audiodiag.__init__") == []


def test_planted_violations_are_found():
    planted = {
        PACKAGE
        / "speed"
        / "planted.py": "import math\n\ndef f():\n    from audiodiag.orders.angle import x\n",
        PACKAGE / "units.py": "from audiodiag import records\n",
        PACKAGE / "orders" / "planted.py": "from ..steering import y\nfrom audiodiag.orders.angle import x\n",
        PACKAGE / "records.py": "import audiodiag.analysis as a\nfrom audiodiag.errors import ClipError\n",
    }
    assert [said.split(" ")[0] for said in broken_layers(planted)] == [
        "audiodiag/speed/planted.py:4:",
        "audiodiag/units.py:1:",
        "audiodiag/orders/planted.py:1:",
        "audiodiag/records.py:1:",
    ]
