"""A certificate for a shared desk: made here for its names, kept beside the cases, renewed in time."""

from __future__ import annotations

import datetime
import hashlib
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from audiodiag.files import write_bytes_whole

__all__ = ["Certificate", "certificate_for"]

FOLDER = "tls"
DAYS = 397
"""Longest life that browsers accept of a certificate (common practice, no published source)."""
RENEWED_BEFORE_DAYS = 30


@dataclass(frozen=True)
class Certificate:
    """Files of a certificate and its key (PEM), and its SHA-256 fingerprint in hexadecimal pairs."""

    certificate: Path
    key: Path
    fingerprint: str


def certificate_for(folder: Path, names: tuple[str, ...]) -> Certificate:
    """Give the desk's own certificate for these names and addresses; make it where none is fit.

    It is signed by itself: whoever comes in sees a warning once and compares the fingerprint. The key can be
    read by its owner alone. An older certificate is kept as long as it holds for every name and for another
    month.

    Source of the form: RFC 5280 (X.509 certificates), section 4.2.1.6 for the names.
    """
    place = folder / FOLDER
    certificate, key = place / "certificate.pem", place / "key.pem"
    if not (_fits(certificate, names) and key.is_file()):
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        made_key, made = _made(names)
        write_bytes_whole(key, made_key)
        key.chmod(0o600)
        write_bytes_whole(certificate, made)
    return Certificate(certificate, key, _fingerprint(certificate))


def _made(names: tuple[str, ...]) -> tuple[bytes, bytes]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, names[0][:64])])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=DAYS))
        .add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    held = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return held, certificate.public_bytes(serialization.Encoding.PEM)


def _general(name: str):  # type: ignore[no-untyped-def]  # a class of the library, loaded in use
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _fits(path: Path, names: tuple[str, ...]) -> bool:
    """Whether the certificate can be read, holds for every name and does not end soon."""
    from cryptography import x509

    try:
        found = x509.load_pem_x509_certificate(path.read_bytes())
        held = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, x509.ExtensionNotFound):
        return False
    soon = datetime.datetime.now(datetime.UTC) + datetime.timedelta(days=RENEWED_BEFORE_DAYS)
    return found.not_valid_after_utc > soon and all(_general(name) in held for name in names)


def _fingerprint(path: Path) -> str:
    import ssl

    text = path.read_text(encoding="ascii")
    digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(text)).hexdigest().upper()
    return ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))
