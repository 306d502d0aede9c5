"""`audiodiag desk`: a page on this machine for owner, technician and advisor."""

from __future__ import annotations

import argparse
import getpass
import importlib.util
import ipaddress
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.commands.inputs import values_of
from audiodiag.errors import UsageError
from audiodiag.options import Option

if TYPE_CHECKING:
    from audiodiag.desk.serving import Sharing

__all__ = ["OPTIONS", "run"]

_NEEDS = (
    "starlette", "uvicorn", "jinja2", "sqlalchemy", "alembic", "argon2", "python_multipart", "cryptography"
)  # fmt: skip
_EVERYWHERE = "0.0.0.0"
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
        "let others in over the network, by TLS; wants a passphrase and a name",
    ),
    Option(
        "--set-passphrase", "set_passphrase", "flag", _SHARED,
        "ask for the passphrase of a shared desk, keep its hash, and end",
    ),
    Option(
        "--name", "name", "text", _SHARED, "a name or address by which others reach this machine",
        metavar="HOST", repeats=True,
    ),
    Option(
        "--listen-at", "listen_at", "text", _SHARED, "address of this machine at which a shared desk listens",
        metavar="ADDRESS", default="every address of this machine",
    ),
    Option(
        "--certificate", "certificate", "text", _SHARED, "certificate for TLS (PEM)", metavar="FILE",
        default="one that the desk makes and keeps in its folder",
    ),
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
            todo="in the folder of the project: python -m pip install '.[desk]'",
        )
    given = values_of(wanted, OPTIONS)
    folder = Path(given.get("folder") or Path.home() / "audiodiag_desk")
    if wanted.set_passphrase:
        return _set_passphrase(folder)
    from audiodiag.desk.serving import serve
    from audiodiag.desk.settings import DeskSettings

    names = tuple(name.strip().lower() for name in wanted.name or [])
    sharing = None
    if wanted.share:
        _refuse_half_sharing(names, given)
        sharing = _sharing(folder, names, given)
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


def _sharing(folder: Path, names: tuple[str, ...], given: dict[str, Any]) -> Sharing:
    """Say where to listen, and with which certificate: the given one, else one that is made."""
    from audiodiag.desk.certificate import certificate_for
    from audiodiag.desk.passphrase import has_passphrase
    from audiodiag.desk.serving import Sharing

    host = str(given.get("listen_at", _EVERYWHERE))
    try:
        ipaddress.ip_address(host)
    except ValueError as error:
        raise UsageError(
            "a shared desk cannot listen there",
            got=f"--listen-at {host}",
            allowed="an address of this machine in numbers, such as 192.168.1.20",
            todo="look the address up in the machine's network settings, or leave --listen-at out",
        ) from error
    if "certificate" in given:
        return Sharing(host, Path(given["certificate"]), Path(given["certificate_key"]))
    if not has_passphrase(folder):  # refused when serving; nothing is made before
        return Sharing(host, folder, folder)
    made = certificate_for(folder, names)
    print(
        "The desk's certificate is its own, so browsers warn once. Compare this SHA-256 fingerprint with "
        f"what the browser shows:\n\n  {made.fingerprint}\n",
        file=sys.stderr,
    )
    return Sharing(host, made.certificate, made.key)


def _refuse_half_sharing(names: tuple[str, ...], given: dict[str, object]) -> None:
    lacks = [
        said
        for said, there in (
            ("--name", names),
            ("--certificate", "certificate" in given or "certificate_key" not in given),
            ("--certificate-key", "certificate_key" in given or "certificate" not in given),
        )
        if not there
    ]
    if not lacks and "certificate" in given:
        for flag in ("certificate", "certificate_key"):
            if not Path(str(given[flag])).is_file():
                lacks.append(f"a file at --{flag.replace('_', '-')}")
    if lacks:
        raise UsageError(
            "a desk is not shared half",
            got=f"--share without {', '.join(lacks)}",
            allowed="--share with --name; and with --certificate and --certificate-key, or none of the two",
            todo="name this machine as others reach it, for example --name 192.168.1.20",
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
