"""`audiodiag desk`: a page on this machine for owner, technician and advisor."""

from __future__ import annotations

import argparse
import getpass
import importlib.util
import os
import sys
from pathlib import Path

from audiodiag.commands.inputs import values_of
from audiodiag.errors import UsageError
from audiodiag.options import Option

__all__ = ["OPTIONS", "run"]

_NEEDS = ("starlette", "uvicorn", "jinja2", "sqlalchemy", "alembic", "argon2", "python_multipart")
_DESK, _SHARED = "the desk", "sharing over a network"
OPTIONS: tuple[Option, ...] = (
    Option(
        "--folder", "folder", "text", _DESK, "where cases and recordings are kept", metavar="FOLDER",
        default="audiodiag_desk in your home",
    ),
    Option(
        "--port", "port", "whole", _DESK, "port of the page", metavar="N", low=1, high=65535, preset=8765
    ),
    Option(
        "--workers", "workers", "whole", _DESK, "clips that are listened to at once", metavar="N",
        default="the cores of this machine", low=1, high=64,
    ),
    Option("--no-browser", "no_browser", "flag", _DESK, "do not open a browser, only print the address"),
    Option(
        "--database", "database", "text", _DESK, "address of another database than the file in the folder",
        metavar="ADDRESS",
    ),
    Option(
        "--share", "share", "flag", _SHARED,
        "let others in over the network; wants a passphrase, a certificate and a name",
    ),
    Option(
        "--set-passphrase", "set_passphrase", "flag", _SHARED,
        "ask for the passphrase of a shared desk, keep its hash, and end",
    ),
    Option(
        "--name", "name", "text", _SHARED, "a name or address by which others reach this machine",
        metavar="HOST", repeats=True,
    ),
    Option("--certificate", "certificate", "text", _SHARED, "certificate for TLS (PEM)", metavar="FILE"),
    Option("--certificate-key", "certificate_key", "text", _SHARED, "its key (PEM)", metavar="FILE"),
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Open the desk, or set its passphrase."""
    missing = [name for name in _NEEDS if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(
            "the desk's libraries are not installed",
            got=f"no {', '.join(missing)}",
            allowed='audiodiag with its extra "desk"',
            todo='python -m pip install "audiodiag[desk]"',
        )
    given = values_of(wanted, OPTIONS)
    folder = Path(given.get("folder") or Path.home() / "audiodiag_desk")
    if wanted.set_passphrase:
        return _set_passphrase(folder)
    from audiodiag.desk.serving import Sharing, serve
    from audiodiag.desk.settings import DeskSettings

    names = tuple(name.strip().lower() for name in wanted.name or [])
    sharing = None
    if wanted.share:
        _refuse_half_sharing(names, given)
        sharing = Sharing("0.0.0.0", Path(given["certificate"]), Path(given["certificate_key"]))
    settings = DeskSettings(
        folder=folder,
        port=given.get("port", 8765),
        database=given.get("database"),
        workers=given.get("workers") or os.cpu_count() or 1,
        share=wanted.share,
        tls=wanted.share,
        names=names,
    )
    return serve(settings, sharing=sharing, browser=not wanted.no_browser)


def _refuse_half_sharing(names: tuple[str, ...], given: dict[str, object]) -> None:
    lacks = [
        said
        for said, there in (
            ("--name", names),
            ("--certificate", "certificate" in given),
            ("--certificate-key", "certificate_key" in given),
        )
        if not there
    ]
    if not lacks:
        for flag in ("certificate", "certificate_key"):
            if not Path(str(given[flag])).is_file():
                lacks.append(f"a file at --{flag.replace('_', '-')}")
    if lacks:
        raise UsageError(
            "a desk is not shared half",
            got=f"--share without {', '.join(lacks)}",
            allowed="--share with --name, --certificate and --certificate-key",
            todo="phones allow the microphone only over TLS: have a certificate made for this machine's name",
        )


def _set_passphrase(folder: Path) -> int:
    """Ask twice on a terminal, or read one line from a pipe."""
    from audiodiag.desk.passphrase import set_passphrase

    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    if sys.stdin.isatty():
        said = getpass.getpass("Passphrase of the desk: ")
        if getpass.getpass("Once more: ") != said:
            raise UsageError(
                "the two passphrases differ", got="two texts", allowed="the same twice", todo="try again"
            )
    else:
        said = sys.stdin.readline().rstrip("\n")
    set_passphrase(folder, said)
    print("The passphrase is set.")
    return 0
