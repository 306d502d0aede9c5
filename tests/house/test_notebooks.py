"""Every notebook runs from top to bottom, in a process of its own, and shows what it says."""

from __future__ import annotations

import subprocess
import sys

import nbformat
import pytest

from tests.house.house import ROOT
from tests.house.run_notebooks import NOTEBOOKS


def code_cells(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]


def test_there_is_a_notebook():
    assert NOTEBOOKS


@pytest.fixture(scope="module")
def run_again(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebooks")
    command = [sys.executable, "-m", "tests.house.run_notebooks", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path, run_again):
    cells = code_cells(nbformat.read(run_again / path.name, as_version=4))
    assert cells
    assert all(cell.execution_count for cell in cells)
    assert not any(output.get("name") == "stderr" for cell in cells for output in cell.outputs)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_with_its_pictures(path):
    outputs = [output for cell in code_cells(nbformat.read(path, as_version=4)) for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "error"]
    assert any("image/png" in output.get("data", {}) for output in outputs)
    assert path.stat().st_size < 1_500_000
