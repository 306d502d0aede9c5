"""Writes the parts of README.md and DEVELOPERS.md that follow from the tree: options and map of the house.

``python -m tests.house.house_map`` rewrites them in place, between their marks.
"""

from __future__ import annotations

import ast
import re

from audiodiag.commands import COMMANDS, module_of
from audiodiag.files import write_text_whole
from audiodiag.options import ANALYSE_OPTIONS, TRAIN_OPTIONS, options_table
from tests.house.house import PACKAGE, ROOT, modules
from tests.house.test_layers import LEVELS, room_of


def first_line(path) -> str:
    """The question that a module answers: the first line of its docstring."""
    said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return said.split("\n\n")[0].replace("\n", " ").replace("``", "`")


def levels_table() -> str:
    """One row a room: level, name, purpose."""
    rooms = sorted(
        {room_of(path) for path in modules()} - {"__init__"}, key=lambda room: (LEVELS[room], room)
    )
    rows = ["| level | room | what it answers |", "|---|---|---|"]
    for room in rooms:
        folder = PACKAGE / room
        said = first_line(folder / "__init__.py" if folder.is_dir() else PACKAGE / f"{room}.py")
        rows.append(f"| {LEVELS[room]:g} | `{room}{'/' if folder.is_dir() else ''}` | {said} |")
    return "\n".join(rows)


def modules_list() -> str:
    """Every module of every room that is a folder, with its question."""
    said = []
    for folder in sorted(
        (path.parent for path in PACKAGE.glob("*/__init__.py")), key=lambda f: LEVELS[f.name]
    ):
        said.append(f"\n**{folder.name}/**\n")
        said += [
            f"- `{path.name}`: {first_line(path)}"
            for path in sorted(folder.rglob("*.py"))
            if path.stem != "__init__"
        ]
    return "\n".join(said).strip()


PARTS = {
    ("README.md", "options of analyse"): lambda: options_table(ANALYSE_OPTIONS),
    ("README.md", "options of train"): lambda: options_table(TRAIN_OPTIONS),
    **{
        ("README.md", f"options of {command.name}"): lambda options=options: options_table(options)
        for command in COMMANDS
        if (options := module_of(command.name).OPTIONS)
    },
    ("DEVELOPERS.md", "levels"): levels_table,
    ("DEVELOPERS.md", "modules"): modules_list,
}


def rewritten(text: str, name: str, part: str) -> str:
    """Put a part between its marks."""
    marks = re.compile(rf"(<!-- {name} -->\n).*?(<!-- end -->)", re.DOTALL)
    if not marks.search(text):
        raise ValueError(f"no marks for {name}")
    return marks.sub(lambda found: f"{found[1]}{part}\n{found[2]}", text, count=1)


def main() -> None:
    """Rewrite all parts."""
    for (file, name), part in PARTS.items():
        path = ROOT / file
        write_text_whole(path, rewritten(path.read_text(encoding="utf-8"), name, part()))


if __name__ == "__main__":
    main()
