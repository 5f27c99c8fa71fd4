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


def test_phones_install_an_authority_that_vouches_for_these_hosts_only_and_whose_key_is_gone(tmp_path):
    made = local_certificate(tmp_path, HOSTS, NOW)
    own, authority = x509.load_pem_x509_certificates(made.certificate.read_bytes())
    assert authority.public_bytes(serialization.Encoding.DER) == made.authority
    own.verify_directly_issued_by(authority)
    constraints = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert (constraints.critical, constraints.value) == (True, x509.BasicConstraints(ca=True, path_length=0))
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    assert {str(one.value) for one in limits.value.permitted_subtrees} == {"192.0.2.7/32", "127.0.0.1/32", "localhost"}
    key = serialization.load_pem_private_key(made.key.read_bytes(), None)
    assert key.public_key() == own.public_key() != authority.public_key()
    assert {one.name for one in tmp_path.iterdir()} == {"board.crt.pem", "board.key.pem"}


def test_whoever_trusts_the_authority_alone_can_connect_by_each_name(tmp_path):
    """By the system's own TLS: the chain, the names, and the limits of the authority hold."""
    made = local_certificate(tmp_path, HOSTS, datetime.now(UTC))
    served = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    served.load_cert_chain(made.certificate, made.key)
    for host, good in (("127.0.0.1", True), ("localhost", True), ("192.0.2.7", True), ("192.0.2.8", False)):
        trusting = ssl.create_default_context(cadata=made.authority)
        assert shaken(served, trusting, host) is good, host


def shaken(served: ssl.SSLContext, trusting: ssl.SSLContext, host: str) -> bool:
    """Whether the two ends agree, over memory."""
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [
        trusting.wrap_bio(to_client, to_server, server_hostname=host),
        served.wrap_bio(to_server, to_client, server_side=True),
    ]
    open_ends = list(ends)
    for _ in range(10):
        for end in list(open_ends):
            try:
                end.do_handshake()
                open_ends.remove(end)
            except ssl.SSLWantReadError:
                continue
            except ssl.SSLCertVerificationError:
                return False
        if not open_ends:
            return True
    raise AssertionError("neither agreed nor refused")


@pytest.mark.parametrize("damage", ["certificate gone", "key of another", "not PEM", "empty"])
def test_what_was_damaged_is_made_anew(tmp_path, damage):
    first = local_certificate(tmp_path, HOSTS, NOW)
    if damage == "certificate gone":
        first.certificate.unlink()
    elif damage == "key of another":
        (tmp_path / "other").mkdir()
        first.key.write_bytes(local_certificate(tmp_path / "other", HOSTS, NOW).key.read_bytes())
    else:
        first.certificate.write_bytes(b"" if damage == "empty" else b"-----BEGIN CERTIFICATE-----\nx\n")
    again = local_certificate(tmp_path, HOSTS, NOW)
    assert again.fingerprint != first.fingerprint
    ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(again.certificate, again.key)


async def test_the_authority_is_handed_to_phones_before_they_join(board, visit):
    async with visit() as browser:
        assert (await browser.get("/board.crt")).status_code == 404
        board.tls_authority = b"der"
        answer = await browser.get("/board.crt")
        assert (answer.content, answer.headers["content-type"]) == (b"der", "application/x-x509-ca-cert")
        token = board.access.invite("desk", run=None)
        assert 'href="/board.crt"' in (await browser.get(f"/join/{token}")).text
