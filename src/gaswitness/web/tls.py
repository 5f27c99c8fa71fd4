"""The board's own certificate for the local network: self-made, kept with its key, told by its fingerprint."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
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


def local_certificate(folder: Path, hosts: tuple[str, ...], now: datetime) -> LocalCertificate:
    """The certificate kept in this folder if it still names these hosts and is in date, else a new one."""
    at, key_at = folder / CERTIFICATE, folder / KEY
    kept = _kept(at, key_at)
    if kept is not None and kept.not_valid_after_utc > now + timedelta(days=SPARE_DAYS) and set(hosts) <= _named(kept):
        return LocalCertificate(at, key_at, fingerprint_of(kept))
    key = ec.generate_private_key(ec.SECP256R1())
    made = _certificate(key, hosts, now)
    write_whole(
        key_at,
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
    )
    write_whole(at, made.public_bytes(serialization.Encoding.PEM))
    return LocalCertificate(at, key_at, fingerprint_of(made))


def _kept(at: Path, key_at: Path) -> x509.Certificate | None:
    """The certificate that lies here, if it can be read and its key belongs to it."""
    try:
        certificate = x509.load_pem_x509_certificate(at.read_bytes())
        key = serialization.load_pem_private_key(key_at.read_bytes(), None)
    except (OSError, ValueError, TypeError):
        return None
    return certificate if key.public_key() == certificate.public_key() else None


def fingerprint_of(certificate: x509.Certificate) -> str:
    """SHA-256 in pairs of hex digits, as browsers show it."""
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def _certificate(key: ec.EllipticCurvePrivateKey, hosts: tuple[str, ...], now: datetime) -> x509.Certificate:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "gaswitness board")])
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=DAYS))
        .add_extension(x509.SubjectAlternativeName([_alternative(host) for host in hosts]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )


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
