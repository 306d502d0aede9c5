"""Where the house stands, and what of it is kept under version control."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "audiodiag"


@cache
def tracked_files() -> tuple[Path, ...]:
    """All files under version control, or all files but caches where this is no checkout."""
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode == 0 and done.stdout:
        found = [ROOT / name for name in done.stdout.split("\0") if name]
    else:
        hidden = {"__pycache__", "build", "dist"}
        found = [
            path
            for path in ROOT.rglob("*")
            if not any(part in hidden or part.startswith(".") for part in path.relative_to(ROOT).parts)
        ]
    return tuple(path for path in sorted(found) if path.is_file())


def text_of(path: Path) -> str | None:
    """The text of a file, or None where it is none."""
    content = path.read_bytes()
    if b"\0" in content:
        return None
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return None


def modules() -> tuple[Path, ...]:
    """All modules of the package."""
    return tuple(sorted(path for path in PACKAGE.rglob("*.py") if "_shipped" not in path.parts))


def module_name(path: Path) -> str:
    """The dotted name of a module."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
