"""A certificate for the home network, made here: phones lend a page their camera over HTTPS only.

Two certificates (RFC 5280): an authority of this machine's own, which a phone can be told to trust, and the service's.
The authority may vouch for private addresses, this machine's name and nothing else (RFC 5280, 4.2.1.10), so that its
key, were it stolen, opens no other site.  Without trusting it a phone warns once and goes on.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from service.security import PRIVATE_FOLDER, write_private

AUTHORITY_DAYS = 3650
SERVICE_DAYS = 397
"""Phones refuse longer ones: 398 days at most (from memory, the browsers' common rule)."""
RENEW_DAYS = 30
PRIVATE_NETWORKS = (
    "10.0.0.0/8",
    "172.16.0.0/12",
    "192.168.0.0/16",
    "169.254.0.0/16",
    "127.0.0.0/8",
    "fc00::/7",
    "fe80::/10",
)
"""RFC 1918, RFC 3927, RFC 4193, RFC 4291."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """Files of the service's certificate.

    Attributes
    ----------
    chain, key : Path
        Of the service, PEM.
    authority : Path
        What a phone can be told to trust, DER.
    """

    chain: Path
    key: Path
    authority: Path


def home_certificate(folder: Path, addresses: Sequence[str], now: datetime | None = None) -> Certificate:
    """The certificate for these addresses; made, or made anew where it runs out or an address is new.

    Parameters
    ----------
    folder : Path
        Where its files lie; readable by this user only.
    addresses : sequence of str
        Private addresses under which the service is reached.
    now : datetime, optional
    """
    now = now or datetime.now(UTC)
    files = Certificate(folder / "service.pem", folder / "service.key", folder / "authority.crt")
    names = _names([each for each in addresses if _is_private(each)])
    if not _still_good(files, names, now):
        folder.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
        authority_key, authority = _authority(folder, files, now)
        key = ec.generate_private_key(ec.SECP256R1())
        service = (
            _begun("Scrollreach", authority.subject, key, now, SERVICE_DAYS)
            .add_extension(x509.SubjectAlternativeName(names), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False
            )
            .sign(authority_key, hashes.SHA256())
        )
        write_private(files.key, _key_bytes(key))
        write_private(files.chain, service.public_bytes(serialization.Encoding.PEM))
    return files


def _authority(folder: Path, files: Certificate, now: datetime) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    """The machine's own authority, kept from the first time on, so that a phone that trusts it goes on doing so."""
    key_file = folder / "authority.key"
    if key_file.exists() and files.authority.exists():
        kept = serialization.load_pem_private_key(key_file.read_bytes(), None)
        certificate = x509.load_der_x509_certificate(files.authority.read_bytes())
        if isinstance(kept, ec.EllipticCurvePrivateKey) and certificate.not_valid_after_utc > now + timedelta(
            days=SERVICE_DAYS
        ):
            return kept, certificate
    key = ec.generate_private_key(ec.SECP256R1())
    name = f"Scrollreach on {socket.gethostname()}"
    allowed: list[x509.GeneralName] = [x509.IPAddress(ipaddress.ip_network(each)) for each in PRIVATE_NETWORKS]
    allowed += [x509.IPAddress(ipaddress.ip_network("::1/128"))]
    allowed += [x509.DNSName(each) for each in ("localhost", "local", socket.gethostname().lower())]
    certificate = (
        _begun(name, _name(name), key, now, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.NameConstraints(allowed, None), critical=True)
        .add_extension(
            x509.KeyUsage(False, False, False, False, False, True, True, False, False),
            critical=True,
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    write_private(key_file, _key_bytes(key))
    write_private(files.authority, certificate.public_bytes(serialization.Encoding.DER))
    return key, certificate


def _begun(
    name: str, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime, days: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(_name(name))
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # clocks differ
        .not_valid_after(now + timedelta(days=days))
    )


def _still_good(files: Certificate, names: list[x509.GeneralName], now: datetime) -> bool:
    if not all(each.exists() for each in (files.chain, files.key, files.authority)):
        return False
    kept = x509.load_pem_x509_certificate(files.chain.read_bytes())
    held = set(kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value)
    return set(names) <= held and kept.not_valid_after_utc > now + timedelta(days=RENEW_DAYS)


def _names(addresses: Sequence[str]) -> list[x509.GeneralName]:
    host = socket.gethostname().lower()
    names: list[x509.GeneralName] = [x509.DNSName(each) for each in dict.fromkeys(("localhost", host, f"{host}.local"))]
    return names + [x509.IPAddress(ipaddress.ip_address(each)) for each in dict.fromkeys(("127.0.0.1", *addresses))]


def _is_private(address: str) -> bool:
    return any(ipaddress.ip_address(address) in ipaddress.ip_network(each) for each in PRIVATE_NETWORKS)


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def _key_bytes(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
