"""The board's own certificate for the local network: self-made, kept with its key, told by its fingerprint.

Phones take no certificate for good but that of an authority, so one is made that signs this single certificate, is
bound to the same hosts, and whose key is then thrown away: whoever installs it trusts this board and nothing else.
"""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from gaswitness.history.files import write_whole

CERTIFICATE, KEY = "board.crt.pem", "board.key.pem"
DAYS = 365
SPARE_DAYS = 2


@dataclass(frozen=True, slots=True)
class LocalCertificate:
    """Where certificate and key lie, and the SHA-256 fingerprint that a phone shows for it."""

    certificate: Path
    key: Path
    fingerprint: str
    authority: bytes
    """The certificate of the authority (DER), to be installed on phones."""


def local_certificate(folder: Path, hosts: tuple[str, ...], now: datetime) -> LocalCertificate:
    """The certificate kept in this folder if it still names these hosts and is in date, else a new one."""
    at, key_at = folder / CERTIFICATE, folder / KEY
    kept = _kept(at, key_at)
    if kept is not None:
        own, authority = kept
        if own.not_valid_after_utc > now + timedelta(days=SPARE_DAYS) and set(hosts) <= _named(own):
            return LocalCertificate(at, key_at, fingerprint_of(own), _der(authority))
    key = ec.generate_private_key(ec.SECP256R1())
    own, authority = _certificates(key, hosts, now)
    write_whole(
        key_at,
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
        private=True,
    )
    write_whole(at, b"".join(one.public_bytes(serialization.Encoding.PEM) for one in (own, authority)))
    return LocalCertificate(at, key_at, fingerprint_of(own), _der(authority))


def _kept(at: Path, key_at: Path) -> tuple[x509.Certificate, x509.Certificate] | None:
    """The certificates that lie here, own and authority's, if they can be read and the key belongs to them."""
    try:
        own, authority = x509.load_pem_x509_certificates(at.read_bytes())
        own.verify_directly_issued_by(authority)
        key = serialization.load_pem_private_key(key_at.read_bytes(), None)
    except (OSError, ValueError, TypeError, InvalidSignature):
        return None
    return (own, authority) if key.public_key() == own.public_key() else None


def _der(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.DER)


def fingerprint_of(certificate: x509.Certificate) -> str:
    """SHA-256 in pairs of hex digits, as browsers show it."""
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def _certificates(
    key: ec.EllipticCurvePrivateKey, hosts: tuple[str, ...], now: datetime
) -> tuple[x509.Certificate, x509.Certificate]:
    """The board's certificate and that of its authority (RFC 5280; name constraints by section 4.2.1.10)."""
    signing = ec.generate_private_key(ec.SECP256R1())  # kept nowhere
    issuer = _name(f"gaswitness board authority {now:%Y-%m-%d}")
    alternatives = [_alternative(host) for host in hosts]
    authority = (
        _dated(issuer, issuer, signing.public_key(), now)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints([_only(one) for one in alternatives], None), critical=True)
        .sign(signing, hashes.SHA256())
    )
    own = (
        _dated(_name("gaswitness board"), issuer, key.public_key(), now)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signing.public_key()), critical=False)
        .sign(signing, hashes.SHA256())
    )
    return own, authority


def _dated(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=DAYS))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    )


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _only(one: x509.GeneralName) -> x509.GeneralName:
    """The same as a limit: an address becomes the network of just that address."""
    return x509.IPAddress(ipaddress.ip_network(one.value)) if isinstance(one, x509.IPAddress) else one


def _alternative(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)


def _named(certificate: x509.Certificate) -> set[str]:
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return {str(one) for one in names.get_values_for_type(x509.IPAddress)} | set(
        names.get_values_for_type(x509.DNSName)
    )


def lan_address() -> str:
    """This machine's address on the local network; nothing is sent to find out. Loopback where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"
