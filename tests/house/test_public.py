"""What a module shows is exactly its ``__all__``, and all of it is explained."""

from __future__ import annotations

import ast
import importlib
import inspect

import pytest

from tests.house.house import PACKAGE, module_name, modules

PUBLIC = [path for path in modules() if path.name != "__main__.py"]
NAMES = [module_name(path) for path in PUBLIC]


@pytest.mark.parametrize("path", PUBLIC, ids=NAMES)
def test_all_is_what_is_visible(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    defined = {
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    }
    module = importlib.import_module(module_name(path))
    shown = getattr(module, "__all__", [])
    assert len(shown) == len(set(shown))
    assert defined <= set(shown), "public by name, but not in __all__"
    assert all(hasattr(module, name) for name in shown)
    if path.name == "__init__.py" and path.parent != PACKAGE and shown:
        imported = {
            alias.asname or alias.name
            for node in tree.body
            if isinstance(node, ast.ImportFrom) and node.module != "__future__"
            for alias in node.names
        }
        constants = {
            target.id
            for node in tree.body
            if isinstance(node, ast.Assign | ast.AnnAssign)
            for target in ([node.target] if isinstance(node, ast.AnnAssign) else node.targets)
            if isinstance(target, ast.Name)
        }
        assert set(shown) <= imported | defined | constants | _submodules(path)


@pytest.mark.parametrize("name", NAMES)
def test_everything_public_is_explained(name):
    module = importlib.import_module(name)
    assert module.__doc__
    bare = [
        shown
        for shown in getattr(module, "__all__", [])
        if (inspect.isfunction(thing := getattr(module, shown)) or inspect.isclass(thing))
        and not thing.__doc__
    ]
    assert not bare


def _submodules(path):
    return {other.stem for other in path.parent.glob("*.py")} | {
        other.parent.name for other in path.parent.glob("*/__init__.py")
    }
