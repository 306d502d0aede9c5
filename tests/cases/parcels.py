"""Parcels for tests: a sound one made quickly, and the ways in which strangers break them."""

from __future__ import annotations

import io
import struct
import warnings
import zipfile
from collections.abc import Callable

from audiodiag.cases.bag import bag_files, parcel_bytes

FOLDER = "audiodiag-parcel"
PAYLOAD = {
    "recordings/recording-01.m4a": bytes(range(256)) * 40,
    "analysis.jsonl": b'{"schema": "audiodiag/analysis/1"}\n',
    "report.html": b"<!doctype html><title>simulated</title>" + b"x" * 3000,
    "notes.txt": b"recorded cold\n",
}


def sound_files() -> dict[str, bytes]:
    """Files of a bag that is in order, by path inside it."""
    return bag_files(PAYLOAD, {"Bag-Software-Agent": "a test"})


def sound_parcel() -> bytes:
    return parcel_bytes(sound_files(), FOLDER)


def entry(name: str, mode: int = 0o100644) -> zipfile.ZipInfo:
    made = zipfile.ZipInfo("placeholder", (1980, 1, 1, 0, 0, 0))
    made.filename = name
    made.external_attr = mode << 16
    made.create_system = 3
    made.compress_type = zipfile.ZIP_DEFLATED
    return made


def with_entry(name: str, content: bytes = b"x", mode: int = 0o100644) -> bytes:
    """A sound parcel with one more entry."""
    held = io.BytesIO(sound_parcel())
    with zipfile.ZipFile(held, "a") as parcel, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # two entries of one name are what is wanted here
        parcel.writestr(entry(name, mode), content)
    return held.getvalue()


def with_files(change: Callable[[dict[str, bytes]], None]) -> bytes:
    """A parcel whose files were changed after they were vouched for."""
    files = sound_files()
    change(files)
    return parcel_bytes(files, FOLDER)


def with_flag(bit: int) -> bytes:
    """A sound parcel whose first entry carries a flag, in both of its headers."""
    content = bytearray(sound_parcel())
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = content.index(mark) + place
        content[at : at + 2] = struct.pack("<H", struct.unpack("<H", content[at : at + 2])[0] | bit)
    return bytes(content)


def with_method(method: int) -> bytes:
    content = bytearray(sound_parcel())
    for mark, place in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        at = content.index(mark) + place
        content[at : at + 2] = struct.pack("<H", method)
    return bytes(content)


def with_other_inner_name() -> bytes:
    """The list at the end of the zip names a file otherwise than the file itself."""
    content = sound_parcel()
    at = content.index(b"audiodiag-parcel/bagit.txt")
    return content[:at] + b"audiodiag-parcel/Bagit.txt" + content[at + 26 :]


def bomb(megabytes: int = 60) -> bytes:
    return with_entry(f"{FOLDER}/data/zeros.bin", bytes(megabytes * 1_000_000))


def many_small_bombs() -> bytes:
    held = io.BytesIO(sound_parcel())
    with zipfile.ZipFile(held, "a") as parcel:
        for number in range(80):
            parcel.writestr(entry(f"{FOLDER}/data/z{number}.bin"), bytes(990_000))
    return held.getvalue()


def overlapping() -> bytes:
    """Two entries of the list share the bytes of one file."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as parcel:
        parcel.writestr(entry(f"{FOLDER}/bagit.txt"), b"BagIt" * 100)
        twin = parcel.getinfo(f"{FOLDER}/bagit.txt")
        other = entry(f"{FOLDER}/bagit2.txt")
        for name in ("header_offset", "CRC", "compress_size", "file_size", "flag_bits"):
            setattr(other, name, getattr(twin, name))
        parcel.filelist.append(other)
        parcel.NameToInfo[other.filename] = other
    return held.getvalue()


def too_many() -> bytes:
    held = io.BytesIO(sound_parcel())
    with zipfile.ZipFile(held, "a") as parcel:
        for number in range(600):
            parcel.writestr(entry(f"{FOLDER}/data/f{number}"), b"")
    return held.getvalue()


def lying_size() -> bytes:
    """An entry that states fewer bytes than it unpacks to."""
    content = bytearray(sound_parcel())
    at = content.index(b"PK\x01\x02") + 24
    content[at : at + 4] = struct.pack("<I", 7)
    return bytes(content)


def two_folders() -> bytes:
    return with_entry("another/bagit.txt", b"BagIt-Version: 1.0\n")


def drop(name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        del files[name]

    return change


def put(name: str, content: bytes) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        files[name] = content

    return change


IN = f"{FOLDER}/data"
HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "climbs out": (lambda: with_entry(f"{IN}/../../../out.txt"), "climbs out"),
    "climbs out backwards": (lambda: with_entry(f"{IN}\\..\\..\\out.txt"), "climbs out"),
    "absolute": (lambda: with_entry("/etc/passwd"), "absolute"),
    "drive letter": (lambda: with_entry("C:/out.txt"), "absolute"),
    "other computer": (lambda: with_entry("\\\\far\\share\\out.txt"), "absolute"),
    "link": (lambda: with_entry(f"{IN}/link", b"/etc/passwd", 0o120777), "link"),
    "device": (lambda: with_entry(f"{IN}/device", b"", 0o020666), "device"),
    "pipe": (lambda: with_entry(f"{IN}/pipe", b"", 0o010666), "device or a pipe"),
    "bomb": (bomb, "far more than it is"),
    "small bombs": (many_small_bombs, "far more than it is"),
    "overlapping": (overlapping, "over each other"),
    "too many": (too_many, "too many files"),
    "twins": (lambda: with_entry(f"{IN}/notes.txt"), "one on some systems"),
    "twins but for case": (lambda: with_entry(f"{IN}/NOTES.txt"), "one on some systems"),
    "twins but for accents": (lambda: with_entry(f"{IN}/ﬁle") + b"", "nobody vouches"),
    "file and folder": (lambda: with_entry(f"{IN}/notes.txt/more"), "folder as well"),
    "missing": (lambda: with_files(drop("data/analysis.jsonl")), "is missing"),
    "extra": (lambda: with_entry(f"{IN}/extra.txt"), "nobody vouches"),
    "wrong checksum": (lambda: with_files(put("data/notes.txt", b"recorded warm\n")), "not as it was sent"),
    "forged manifest": (lambda: with_files(put("manifest-sha256.txt", b"")), "nobody vouches"),
    "no manifest": (lambda: with_files(drop("manifest-sha512.txt")), "is missing"),
    "no tag manifest": (lambda: with_files(drop("tagmanifest-sha256.txt")), "lacks a manifest"),
    "no bag": (lambda: with_files(drop("bagit.txt")), "no bag"),
    "other version": (lambda: with_files(put("bagit.txt", b"BagIt-Version: 9.0\n")), "no bag"),
    "to be fetched": (lambda: with_files(put("fetch.txt", b"https://example.net/x 1 data/x\n")), "fetched"),
    "encrypted": (lambda: with_flag(1), "encrypted"),
    "odd packing": (lambda: with_method(97), "unusual way"),
    "control sign": (lambda: with_entry(f"{IN}/a\x1b[2Jb"), "control signs"),
    "zero sign": (
        lambda: with_entry(f"{IN}/a.txt").replace(b"data/a.txt", b"data/a\x00txt"),
        "control signs",
    ),
    "written backwards": (lambda: with_entry(f"{IN}/fdp.\u202egpj"), "control signs"),
    "reserved": (lambda: with_entry(f"{IN}/aux.txt"), "reserved"),
    "dot at the end": (lambda: with_entry(f"{IN}/notes."), "reserved"),
    "long name": (lambda: with_entry(f"{IN}/{'n' * 300}"), "too long"),
    "deep": (lambda: with_entry(f"{FOLDER}/" + "d/" * 30 + "x"), "too long or too deep"),
    "stream of a file": (lambda: with_entry(f"{IN}/notes.txt:hidden"), "cannot be used"),
    "inner name differs": (with_other_inner_name, "damaged"),
    "lying size": (lying_size, ""),
    "two folders": (two_folders, "no parcel of audiodiag"),
    "cut off": (lambda: sound_parcel()[:-200], "damaged"),
    "flipped bit": (
        lambda: sound_parcel().replace(bytes(range(200, 240)), bytes(range(199, 239)), 1),
        "damaged",
    ),
    "no zip": (lambda: b"hello" * 100, "damaged"),
    "empty": (lambda: b"", "damaged"),
}
"""How each is made, and words that the refusal must hold."""
