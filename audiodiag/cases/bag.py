"""A bag: files with their checksums, laid out as RFC 8493 (The BagIt File Packaging Format) says, in a zip.

The layout: one folder; in it ``bagit.txt`` (section 2.1.1), ``data/`` (2.1.2), a manifest for each checksum
(2.1.3), ``bag-info.txt`` (2.2.2) and a manifest of the tag files themselves (2.2.1).
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping

__all__ = ["ALGORITHMS", "BAGIT_TXT", "bag_files", "parcel_bytes"]

ALGORITHMS = ("sha256", "sha512")
"""Checksums of a bag; RFC 8493 section 2.4 asks for sha512 and names sha256 as well."""
BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_TIME = (1980, 1, 1, 0, 0, 0)
_PACKED = (".m4a", ".mp4", ".ogg", ".opus", ".mp3", ".flac", ".webm", ".3gp", ".mka", ".zip", ".png")


def bag_files(payload: Mapping[str, bytes], information: Mapping[str, str]) -> dict[str, bytes]:
    """Give all files of a bag by their path inside it.

    Parameters
    ----------
    payload:
        Files by their path below ``data/``, with forward slashes.
    information:
        Lines of ``bag-info.txt``; the size (Payload-Oxum) is added.

    >>> files = bag_files({"a.txt": b"12"}, {"Bag-Software-Agent": "audiodiag"})
    >>> sorted(files)[:3], files["bag-info.txt"].decode().splitlines()[-1]
    (['bag-info.txt', 'bagit.txt', 'data/a.txt'], 'Payload-Oxum: 2.1')
    """
    data = {f"data/{name}": content for name, content in sorted(payload.items())}
    size = sum(len(content) for content in data.values())
    lines = [f"{label}: {_one_line(text)}" for label, text in information.items()]
    lines.append(f"Payload-Oxum: {size}.{len(data)}")
    tags = {"bagit.txt": BAGIT_TXT, "bag-info.txt": ("\n".join(lines) + "\n").encode("utf-8")}
    for algorithm in ALGORITHMS:
        tags[f"manifest-{algorithm}.txt"] = _manifest(algorithm, data)
    checked = {f"tagmanifest-{algorithm}.txt": _manifest(algorithm, tags) for algorithm in ALGORITHMS}
    return {**tags, **checked, **data}


def parcel_bytes(files: Mapping[str, bytes], folder: str) -> bytes:
    """Put the files of a bag into a zip, in one folder; the same files give the same bytes."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as parcel:
        for name, content in files.items():
            entry = zipfile.ZipInfo(f"{folder}/{name}", _TIME)
            entry.external_attr = 0o100644 << 16
            entry.create_system = 3
            packed = name.lower().endswith(_PACKED)
            entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            parcel.writestr(entry, content)
    return held.getvalue()


def _manifest(algorithm: str, files: Mapping[str, bytes]) -> bytes:
    """Lines of checksum and path; a percent sign and line ends in a path are encoded (section 2.1.3)."""
    lines = []
    for name, content in files.items():
        shown = name.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")
        lines.append(f"{hashlib.new(algorithm, content).hexdigest()}  {shown}\n")
    return "".join(lines).encode("utf-8")


def _one_line(text: str) -> str:
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
