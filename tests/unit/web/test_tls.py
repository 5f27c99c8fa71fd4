"""The board's own certificate: made once, good for the addresses it is reached at, told by its fingerprint."""

from __future__ import annotations

import hashlib
import ssl
import stat
import sys
from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from gaswitness.web.tls import local_certificate

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
HOSTS = ("192.0.2.7", "127.0.0.1", "localhost")


def test_the_fingerprint_is_that_of_the_bytes_on_the_wire(tmp_path):
    made = local_certificate(tmp_path, HOSTS, NOW)
    der = x509.load_pem_x509_certificate(made.certificate.read_bytes()).public_bytes(serialization.Encoding.DER)
    assert made.fingerprint.replace(":", "").lower() == hashlib.sha256(der).hexdigest()


def test_it_names_the_addresses_and_can_be_served(tmp_path):
    made = local_certificate(tmp_path, HOSTS, NOW)
    names = x509.load_pem_x509_certificate(made.certificate.read_bytes()).extensions.get_extension_for_class(
        x509.SubjectAlternativeName
    )
    assert {str(one.value) for one in names.value} == set(HOSTS)
    ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(made.certificate, made.key)


def test_it_is_kept_while_it_is_good_so_that_phones_need_not_look_again(tmp_path):
    first = local_certificate(tmp_path, HOSTS, NOW)
    assert local_certificate(tmp_path, HOSTS[:2], NOW + timedelta(days=30)).fingerprint == first.fingerprint


@pytest.mark.parametrize(("hosts", "later"), [((*HOSTS, "192.0.2.8"), 0), (HOSTS, 364)])
def test_a_new_one_is_made_for_a_new_address_or_a_new_year(tmp_path, hosts, later):
    first = local_certificate(tmp_path, HOSTS, NOW)
    assert local_certificate(tmp_path, hosts, NOW + timedelta(days=later)).fingerprint != first.fingerprint


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX")
def test_the_key_is_for_its_owner_only(tmp_path):
    made = local_certificate(tmp_path, HOSTS, NOW)
    assert stat.S_IMODE(made.key.stat().st_mode) == 0o600
