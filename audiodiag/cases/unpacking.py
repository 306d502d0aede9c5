"""Open a parcel from a stranger: believe nothing, check everything, write all or nothing.

Names, sizes and kinds of all entries are checked before a byte is unpacked; while it is unpacked no entry may
grow beyond what it stated; then the bag is checked (RFC 8493 section 3: complete, and valid by every
checksum); only then is the folder put in its place, in one step.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import tempfile
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from audiodiag.cases.bag import ALGORITHMS, BAGIT_TXT
from audiodiag.errors import ParcelError

__all__ = ["CheckedParcel", "check_parcel", "unpack_parcel"]

MOST_PARCEL_BYTES = 500_000_000
MOST_ENTRIES = 500
MOST_BYTES = 800_000_000
MOST_RATIO = 200
RATIO_FROM_BYTES = 1_000_000
MOST_NAME = 200
MOST_DEPTH = 8
MOST_MANIFEST_BYTES = 1_000_000
_RESERVED = {"con", "prn", "aux", "nul", *(f"{n}{k}" for n in ("com", "lpt") for k in "123456789")}
_FORBIDDEN = set('<>:"|?*\\')


@dataclass(frozen=True)
class CheckedParcel:
    """A parcel that passed every check: its files by path inside the bag."""

    files: dict[str, bytes]

    @property
    def recordings(self) -> dict[str, bytes]:
        """The recordings by name."""
        start = "data/recordings/"
        return {n.removeprefix(start): c for n, c in self.files.items() if n.startswith(start)}


def check_parcel(path: str | Path) -> CheckedParcel:
    """Read a parcel and check it to the byte.

    Raises
    ------
    ParcelError
        For whatever is damaged, hostile or no parcel, in words.
    """
    place = Path(path)
    with _words_for_damage(place.name):
        _ordinary(place)
        with place.open("rb") as handle, zipfile.ZipFile(handle) as parcel:
            entries = parcel.infolist()
            _refuse_many(parcel, entries, place)
            names = [_checked_name(entry) for entry in entries]
            _refuse_twins(names)
            _refuse_overlaps(entries)
            files = {
                name: _content(parcel, entry)
                for name, entry in zip(names, entries, strict=True)
                if not entry.is_dir()
            }
    bag = _inside_the_folder(files)
    _check_bag(bag)
    return CheckedParcel(bag)


def unpack_parcel(path: str | Path, folder: str | Path) -> CheckedParcel:
    """Check a parcel and put it into a folder that is not there yet, whole or not at all."""
    target = Path(folder)
    if target.is_symlink() or (target.exists() and (not target.is_dir() or any(target.iterdir()))):
        raise ParcelError(
            "the parcel is not unpacked over what is there",
            got=f"{target}, which is no empty folder",
            allowed="the name of a new or an empty folder",
            todo="name another place",
        )
    checked = check_parcel(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent))
    except OSError as problem:
        raise _unwritable(target, problem) from problem
    try:
        for name, content in checked.files.items():
            file = made.joinpath(*name.split("/"))
            file.parent.mkdir(parents=True, exist_ok=True)
            with file.open("xb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
        made.chmod(0o755)
        if target.exists():
            target.rmdir()
        made.rename(target)
    except OSError as problem:
        raise _unwritable(target, problem) from problem
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return checked


def _unwritable(target: Path, problem: OSError) -> ParcelError:
    return ParcelError(
        "the folder cannot be written",
        got=f"{target}: {problem.strerror or problem}",
        allowed="a place that may be written to and has room",
        todo="free some space or name another place",
    )


def _hostile(what: str, got: str, allowed: str) -> ParcelError:
    return ParcelError(
        what, got=got, allowed=allowed, todo="do not open it by other means; ask the sender to pack it anew"
    )


def _damaged(what: str, got: str, allowed: str) -> ParcelError:
    return ParcelError(what, got=got, allowed=allowed, todo="ask the sender to send it again")


@contextmanager
def _words_for_damage(name: str) -> Iterator[None]:
    """Turn what the reader of zip files complains about into our words."""
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, UnicodeDecodeError) as problem:
        raise _damaged(f"{name} is damaged or no parcel", str(problem), "a whole zip file") from problem
    except FileNotFoundError as problem:
        raise ParcelError(
            f"there is no file {name}",
            got="a name that leads to nothing",
            allowed="a parcel that audiodiag pack made",
            todo="check the name and the folder; put names with spaces in quotation marks",
        ) from problem
    except PermissionError as problem:
        raise ParcelError(
            f"{name} cannot be read",
            got="no permission to read it",
            allowed="a file that may be read",
            todo="change its permissions, or copy it to a folder of your own",
        ) from problem
    except (OSError, ValueError, RuntimeError, OverflowError) as problem:
        raise _damaged(f"{name} cannot be read", str(problem), "a whole zip file") from problem


def _ordinary(place: Path) -> None:
    kind = place.stat()
    if stat.S_ISDIR(kind.st_mode):
        raise ParcelError(
            f"{place.name} is a folder",
            got="a folder",
            allowed="a parcel that audiodiag pack made",
            todo="name the zip file itself",
        )
    if not stat.S_ISREG(kind.st_mode):
        raise _hostile(f"{place.name} is no file", "a device or a pipe", "an ordinary file")
    if kind.st_size > MOST_PARCEL_BYTES:
        raise _hostile(
            f"{place.name} is too large",
            f"{kind.st_size / 1e6:.0f} MB",
            f"at most {MOST_PARCEL_BYTES / 1e6:.0f} MB",
        )


def _refuse_many(parcel: zipfile.ZipFile, entries: list[zipfile.ZipInfo], place: Path) -> None:
    if len(entries) > MOST_ENTRIES:
        raise _hostile(
            "the parcel holds too many files", f"{len(entries)} entries", f"at most {MOST_ENTRIES}"
        )
    total = sum(entry.file_size for entry in entries)
    if total > MOST_BYTES:
        raise _hostile(
            "the parcel would unpack to too much",
            f"{total / 1e6:.0f} MB",
            f"at most {MOST_BYTES / 1e6:.0f} MB",
        )
    for entry in entries:
        large = entry.file_size > RATIO_FROM_BYTES
        if large and entry.file_size > MOST_RATIO * max(1, entry.compress_size):
            raise _hostile(
                "an entry unpacks to far more than it is",
                f"{entry.file_size / 1e6:.0f} MB from {entry.compress_size} bytes",
                f"at most {MOST_RATIO} times its size",
            )
    if total > RATIO_FROM_BYTES and total > MOST_RATIO * place.stat().st_size:
        raise _hostile(
            "the parcel unpacks to far more than it is",
            f"{total / 1e6:.0f} MB from {place.stat().st_size} bytes",
            f"at most {MOST_RATIO} times its size",
        )


def _checked_name(entry: zipfile.ZipInfo) -> str:
    """Give the name of an entry, or refuse it for its name, its kind or its coding."""
    name = entry.orig_filename
    shown = repr(name[:80])
    if any(ord(sign) < 32 or ord(sign) == 127 or unicodedata.category(sign) == "Cf" for sign in name):
        raise _hostile("a name in the parcel holds control signs", shown, "printable names")
    if name.startswith(("/", "\\")) or name[1:2] == ":":
        raise _hostile("a name in the parcel is absolute", shown, "names inside the parcel's folder")
    parts = name.rstrip("/").split("/")
    if ".." in parts or ".." in name.replace("\\", "/").split("/"):
        raise _hostile("a name in the parcel climbs out of its folder", shown, "names without ..")
    if any(part in ("", ".") for part in parts) or set(name) & _FORBIDDEN:
        raise _hostile(
            "a name in the parcel cannot be used", shown, "names without empty parts and special signs"
        )
    if len(name.encode("utf-8", "surrogatepass")) > MOST_NAME or len(parts) > MOST_DEPTH:
        raise _hostile(
            "a name in the parcel is too long or too deep",
            f"{len(name)} signs, {len(parts)} levels",
            f"at most {MOST_NAME} bytes and {MOST_DEPTH} levels",
        )
    for part in parts:
        if part.partition(".")[0].lower() in _RESERVED or part.endswith((".", " ")):
            raise _hostile("a name in the parcel is reserved by some systems", shown, "ordinary names")
    _refuse_kind(entry, shown)
    return name


def _refuse_kind(entry: zipfile.ZipInfo, shown: str) -> None:
    if entry.flag_bits & 0x41:
        raise _hostile("an entry of the parcel is encrypted", shown, "entries that can be read")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise _hostile(
            "an entry is packed in an unusual way", f"{shown}, method {entry.compress_type}", "deflate"
        )
    mode = entry.external_attr >> 16
    kind = stat.S_IFMT(mode)
    if kind == stat.S_IFLNK:
        raise _hostile("the parcel holds a link", shown, "ordinary files")
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        raise _hostile("the parcel holds a device or a pipe", shown, "ordinary files")
    if entry.is_dir() and entry.file_size:
        raise _hostile("a folder of the parcel holds bytes", shown, "folders without bytes of their own")


def _refuse_twins(names: list[str]) -> None:
    """Refuse two names that some system takes for one, and a file that is a folder as well."""
    seen: dict[str, str] = {}
    for name in names:
        plain = unicodedata.normalize("NFKC", name.rstrip("/")).casefold()
        if plain in seen:
            raise _hostile(
                "two names in the parcel are one on some systems", f"{seen[plain]} and {name}", "each once"
            )
        seen[plain] = name
    files = {plain for plain, name in seen.items() if not name.endswith("/")}
    for plain in seen:
        parts = plain.split("/")
        for depth in range(1, len(parts)):
            if "/".join(parts[:depth]) in files:
                raise _hostile("a file of the parcel is a folder as well", seen[plain], "one or the other")


def _refuse_overlaps(entries: list[zipfile.ZipInfo]) -> None:
    """Refuse entries that share bytes of the parcel, by which small parcels unpack to huge ones."""
    ranked = sorted(entries, key=lambda entry: entry.header_offset)
    for one, other in pairwise(ranked):
        if one.header_offset + 30 + one.compress_size > other.header_offset:
            raise _hostile(
                "entries of the parcel lie over each other",
                f"{one.filename} and {other.filename}",
                "entries one after the other",
            )


def _content(parcel: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    with parcel.open(entry) as file:
        content = file.read(entry.file_size + 1)
    if len(content) != entry.file_size:
        raise _damaged(
            f"{entry.filename} has another length than stated",
            f"{len(content)} bytes of {entry.file_size}",
            "the stated length",
        )
    return content


def _inside_the_folder(files: Mapping[str, bytes]) -> dict[str, bytes]:
    folders = {name.partition("/")[0] for name in files}
    if len(folders) != 1 or any("/" not in name for name in files):
        raise _damaged(
            "this is no parcel of audiodiag", f"{len(folders)} names on top", "one folder that holds a bag"
        )
    return {name.partition("/")[2]: content for name, content in files.items()}


def _check_bag(files: Mapping[str, bytes]) -> None:
    if files.get("bagit.txt", b"").replace(b"\r\n", b"\n") != BAGIT_TXT:
        got = "no bagit.txt" if "bagit.txt" not in files else "another bagit.txt"
        raise _damaged("this is no bag", got, "BagIt-Version 1.0 in UTF-8")
    if "fetch.txt" in files:
        raise _hostile("the parcel wants files fetched from elsewhere", "fetch.txt", "all files inside")
    payload = {name for name in files if name.startswith("data/")}
    for algorithm in ALGORITHMS:
        stated = _manifest(files, f"manifest-{algorithm}.txt")
        _refuse_difference(payload, set(stated), f"manifest-{algorithm}.txt")
        _check_sums(files, stated, algorithm)
        tags = _manifest(files, f"tagmanifest-{algorithm}.txt")
        wanted = {n for n in files if n not in payload and not n.startswith("tagmanifest-")}
        _refuse_difference(wanted, set(tags), f"tagmanifest-{algorithm}.txt")
        _check_sums(files, tags, algorithm)
    _check_size(files, payload)


def _manifest(files: Mapping[str, bytes], name: str) -> dict[str, str]:
    if name not in files:
        raise _damaged("the bag lacks a manifest", f"no {name}", "manifests for sha256 and sha512")
    if len(files[name]) > MOST_MANIFEST_BYTES:
        raise _hostile("a manifest is too large", f"{len(files[name])} bytes", "1 MB")
    stated: dict[str, str] = {}
    with _words_for_damage(name):
        text = files[name].decode("utf-8")
    for line in text.splitlines():
        digest, _, shown = line.partition(" ")
        path = shown.lstrip(" *").replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")
        if not path or path in stated or not digest.isalnum():
            raise _damaged(f"{name} cannot be understood", repr(line[:80]), "a checksum and a path a line")
        stated[path] = digest.lower()
    return stated


def _refuse_difference(there: set[str], stated: set[str], name: str) -> None:
    missing, extra = sorted(stated - there), sorted(there - stated)
    if missing:
        raise _damaged("a file of the parcel is missing", missing[0], f"all files that {name} names")
    if extra:
        raise _hostile(
            "the parcel holds a file that nobody vouches for", extra[0], f"files that {name} names"
        )


def _check_sums(files: Mapping[str, bytes], stated: Mapping[str, str], algorithm: str) -> None:
    for name, digest in stated.items():
        found = hashlib.new(algorithm, files[name]).hexdigest()
        if found != digest:
            raise _damaged(
                f"{name} is not as it was sent", f"{algorithm} {found[:16]}...", f"{digest[:16]}..."
            )


def _check_size(files: Mapping[str, bytes], payload: set[str]) -> None:
    wanted = f"{sum(len(files[name]) for name in payload)}.{len(payload)}"
    for line in files.get("bag-info.txt", b"").decode("utf-8", "replace").splitlines():
        label, _, value = line.partition(":")
        if label.strip().lower() == "payload-oxum" and value.strip() != wanted:
            raise _damaged("the bag has another size than stated", wanted, value.strip()[:40])
