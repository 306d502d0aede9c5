"""Ends a process that writes reports and parcels, at random moments, and looks for half files.

python -m tests.cases.kill_while_writing 200
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from audiodiag.cases import check_parcel
from tests.cases.parcels import PAYLOAD
from tests.house.house import ROOT

CHILD = """
import sys
from pathlib import Path
from audiodiag.cases import unpack_parcel
from audiodiag.cases.bag import bag_files, parcel_bytes
from audiodiag.files import write_bytes_whole, write_text_whole
from tests.cases.parcels import PAYLOAD
folder = Path(sys.argv[1])
number = 0
print("ready", flush=True)
while True:
    number += 1
    big = {**PAYLOAD, "big.bin": number.to_bytes(4, "big") * 200_000}
    write_bytes_whole(folder / "parcel.zip", parcel_bytes(bag_files(big, {}), "audiodiag-parcel"))
    page = f"<!doctype html>{number}" + "x" * 1_500_000 + f"{number}</html>"
    write_text_whole(folder / "report.html", page)
    unpack_parcel(folder / "parcel.zip", folder / f"case{number}")
"""


def kill_once(folder: Path, wait_s: float) -> None:
    """Start a writer, end it after a while, and check all that is in place then."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == "ready\n"
        time.sleep(wait_s)
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
    check_places(folder)


def check_places(folder: Path) -> None:
    """Whatever stands under its own name must be whole."""
    if (folder / "parcel.zip").exists():
        check_parcel(folder / "parcel.zip")
    if (folder / "report.html").exists():
        text = (folder / "report.html").read_text(encoding="utf-8")
        number = text.removeprefix("<!doctype html>").partition("x")[0]
        assert text == f"<!doctype html>{number}" + "x" * 1_500_000 + f"{number}</html>"
    for case in folder.glob("case*"):
        for name, content in PAYLOAD.items():
            assert (case / "data" / name).read_bytes() == content
        assert (case / "data" / "big.bin").stat().st_size == 800_000


def run(times: int, seed: int = 0) -> int:
    """Give how many of the endings left something in place."""
    rng, found = random.Random(seed), 0
    for _ in range(times):
        with tempfile.TemporaryDirectory() as held:
            kill_once(Path(held), rng.uniform(0.0, 0.4))
            found += any(not p.name.startswith(".") for p in Path(held).iterdir())
    return found


if __name__ == "__main__":
    count = int(sys.argv[1])
    print(f"{run(count)} of {count} endings left files in place, all whole")
