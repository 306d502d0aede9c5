"""The certificate that a shared desk makes for itself, read back by a general library of cryptography."""

from __future__ import annotations

import datetime
import stat

import pytest
from cryptography import x509

from audiodiag.desk.certificate import certificate_for


def test_it_holds_for_every_name_and_address(tmp_path):
    made = certificate_for(tmp_path, ("desk.example", "192.168.1.20"))
    read = x509.load_pem_x509_certificate(made.certificate.read_bytes())
    names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["desk.example"]
    assert [str(a) for a in names.get_values_for_type(x509.IPAddress)] == ["192.168.1.20"]
    assert read.not_valid_after_utc - datetime.datetime.now(datetime.UTC) < datetime.timedelta(days=398)


def test_its_key_is_read_by_its_owner_alone(tmp_path):
    made = certificate_for(tmp_path, ("desk.example",))
    assert stat.S_IMODE(made.key.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.key.parent.stat().st_mode) == 0o700


def test_it_is_kept_while_it_fits_and_made_anew_for_another_name(tmp_path):
    first = certificate_for(tmp_path, ("desk.example", "192.168.1.20"))
    assert certificate_for(tmp_path, ("desk.example",)).fingerprint == first.fingerprint
    assert certificate_for(tmp_path, ("other.example",)).fingerprint != first.fingerprint


@pytest.mark.parametrize(
    "broken", [b"", b"-----BEGIN CERTIFICATE-----\nrubbish\n-----END CERTIFICATE-----\n"]
)
def test_a_broken_one_is_made_anew(tmp_path, broken):
    made = certificate_for(tmp_path, ("desk.example",))
    made.certificate.write_bytes(broken)
    assert certificate_for(tmp_path, ("desk.example",)).fingerprint != made.fingerprint
