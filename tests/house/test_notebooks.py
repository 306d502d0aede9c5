"""Every notebook runs from top to bottom, in a process of its own."""

from __future__ import annotations

import sys

import nbformat
import pytest

from tests.house.house import ROOT

NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def test_there_is_a_notebook():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("default")
def test_notebook_runs(path, tmp_path):
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    manager = AsyncKernelManager()
    manager._kernel_spec = KernelSpec(
        argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"], language="python"
    )
    client = NotebookClient(
        notebook, km=manager, timeout=180, resources={"metadata": {"path": str(path.parent)}}
    )
    client.execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]
    assert all(cell.execution_count for cell in code)
    assert not any(output.get("name") == "stderr" for cell in code for output in cell.outputs)
