"""Runs notebooks from top to bottom; ``python -m tests.house.run_notebooks`` keeps what they then show.

The tests run it in a process of its own, so that no socket of a kernel outlives it in another test.
"""

from __future__ import annotations

import asyncio
import sys
import warnings
from pathlib import Path
from typing import Any

import nbformat

from tests.house.house import ROOT

NOTEBOOKS = tuple(sorted((ROOT / "notebooks").glob("*.ipynb")))


def executed(path: Path) -> Any:
    """Give the notebook as it is after all its cells have run on this interpreter, in its own folder."""
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
        notebook,
        km=manager,
        timeout=240,
        coalesce_streams=True,
        resources={"metadata": {"path": str(path.parent)}},
    )
    with warnings.catch_warnings():
        warnings.simplefilter("default")
        asyncio.run(client.async_execute())
    return notebook


def main(arguments: list[str]) -> None:
    """Run all notebooks and write them with their outputs, without times and names of machines.

    They are written in place, or into the folder that is named.
    """
    for path in NOTEBOOKS:
        notebook = executed(path)
        for cell in notebook.cells:
            cell.metadata = {}
        notebook.metadata = {"language_info": {"name": "python"}}
        nbformat.write(notebook, Path(arguments[0]) / path.name if arguments else path)
        print(path.name)


if __name__ == "__main__":
    main(sys.argv[1:])
