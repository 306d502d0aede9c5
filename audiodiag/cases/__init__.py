"""Parcels: recordings, diagnosis and report in one file to send, checked to the byte when it is opened."""

from __future__ import annotations

from audiodiag.cases.bag import bag_files, parcel_bytes
from audiodiag.cases.parcel import Packed, pack_parcel
from audiodiag.cases.stripping import Stripped, strip_recording, tags_of
from audiodiag.cases.unpacking import check_parcel, unpack_parcel

__all__ = [
    "Packed",
    "Stripped",
    "bag_files",
    "check_parcel",
    "pack_parcel",
    "parcel_bytes",
    "strip_recording",
    "tags_of",
    "unpack_parcel",
]
