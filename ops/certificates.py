"""Certificates of our own making: an authority for this installation, and what it signs for our servers.

Profile after RFC 5280 (sections 4.2.1.1 to 4.2.1.12). The server's certificate lives 397 days, below the 825
that Apple's systems accept ("Requirements for trusted certificates in iOS 13 and macOS 10.15"), and is
renewed 30 days before its end. The authority stays, so whoever trusts it need do nothing.
"""

from __future__ import annotations

import ipaddress
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.types import CertificatePublicKeyTypes, PublicKeyTypes
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from model.errors import BadInput
from ops.embedded.postgres import private_folder, write_private

AUTHORITY_LIFE = timedelta(days=20 * 365)
SERVER_LIFE = timedelta(days=397)
RENEW_BEFORE = timedelta(days=30)
CLOCK_SKEW = timedelta(hours=1)
"""A gateway's clock may be a little behind."""

LABEL = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)")
"""RFC 1123 section 2.1."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A certificate (with its chain) and its key as PEM files; both may be one file."""

    certificate: Path
    key: Path


class Authority:
    """The certificates of a folder: ``ca.pem`` to trust, its key, and ``server.pem`` with its key inside."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.trust = folder / "ca.pem"
        self.pair = Pair(folder / "server.pem", folder / "server.pem")
        self._key = folder / "ca.key"

    def keep(self, names: Sequence[str], now: datetime) -> bool:
        """Make what is missing, renew what ends soon or lacks a name; says whether anything was written."""
        private_folder(self.folder)
        if not (self.trust.exists() and self._key.exists()):
            self._make_authority(now)
        if self._good(names, now):
            return False
        self._make_server(names, now)
        return True

    def _good(self, names: Sequence[str], now: datetime) -> bool:
        if not self.pair.certificate.exists():
            return False
        try:
            found = load(self.pair.certificate)
            found.verify_directly_issued_by(load(self.trust))
        except (BadInput, ValueError, TypeError, InvalidSignature):
            return False
        return set(names_in(found)) == set(names) and found.not_valid_after_utc - now > RENEW_BEFORE

    def _make_authority(self, now: datetime) -> None:
        key = ec.generate_private_key(ec.SECP256R1())
        # A name of its own each, so that two installations' authorities are told apart.
        serial = x509.random_serial_number()
        name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Holdfast authority {serial:x}"[:40])])
        usage = _key_usage(signs_certificates=True)
        certificate = (
            _builder(name, name, key.public_key(), key.public_key(), now, AUTHORITY_LIFE, serial)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(usage, critical=True)
            .sign(key, hashes.SHA256())
        )
        write_private(self._key, _pem(key))
        write_private(self.trust, certificate.public_bytes(serialization.Encoding.PEM).decode())
        self.trust.chmod(0o644)

    def _make_server(self, names: Sequence[str], now: datetime) -> None:
        authority = load(self.trust)
        signer = serialization.load_pem_private_key(self._key.read_bytes(), None)
        assert isinstance(signer, ec.EllipticCurvePrivateKey)
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0][:64])])
        life = min(SERVER_LIFE, authority.not_valid_after_utc - now)
        certificate = (
            _builder(subject, authority.subject, key.public_key(), signer.public_key(), now, life)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_key_usage(signs_certificates=False), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
            .sign(signer, hashes.SHA256())
        )
        # One file, so that nobody ever sees a key without its certificate.
        both = _pem(key) + certificate.public_bytes(serialization.Encoding.PEM).decode()
        write_private(self.pair.certificate, both)


def load(file: Path) -> x509.Certificate:
    """The first certificate of a PEM file; raises `BadInput`."""
    try:
        return x509.load_pem_x509_certificates(file.read_bytes())[0]
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it holds no certificate in PEM form"
        raise BadInput(f"The certificate {file} cannot be used: {reason}.") from error


def check_pair(pair: Pair, now: datetime) -> x509.Certificate:
    """The certificate of a pair that belongs together and is valid now; raises `BadInput`."""
    certificate = load(pair.certificate)
    try:
        with pair.key.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            raw = file.read()
        key = serialization.load_pem_private_key(raw, None)
    except OSError as error:
        raise BadInput(f"The key {pair.key} cannot be read: {error.strerror}.") from error
    except (ValueError, TypeError) as error:
        raise BadInput(f"The key {pair.key} cannot be used: is it PEM, and without a passphrase?") from error
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        raise BadInput(f"Everybody on this machine may read the key {pair.key}: chmod o-rwx it.")
    if _der(key.public_key()) != _der(certificate.public_key()):
        raise BadInput(f"The key {pair.key} does not belong to the certificate {pair.certificate}.")
    begins = certificate.not_valid_before_utc
    if begins > now:
        raise BadInput(
            f"The certificate {pair.certificate} is not valid before {begins:%Y-%m-%d %H:%M} UTC: "
            "is this machine's clock right?"
        )
    if certificate.not_valid_after_utc < now:
        ended = certificate.not_valid_after_utc
        raise BadInput(f"The certificate {pair.certificate} ended on {ended:%Y-%m-%d}: renew it.")
    return certificate


def fingerprint(file: Path) -> str:
    """SHA-256 of the first certificate of a file, as ``openssl x509 -fingerprint -sha256`` shows it."""
    return load(file).fingerprint(hashes.SHA256()).hex(":").upper()


def names_in(certificate: x509.Certificate) -> list[str]:
    """Host names and addresses that a certificate is good for."""
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    addresses = [str(address) for address in found.get_values_for_type(x509.IPAddress)]
    return [*found.get_values_for_type(x509.DNSName), *addresses]


def checked_name(text: str) -> str:
    """A host name or an address in the form that certificates hold; raises `BadInput`."""
    name = text.strip().lower().rstrip(".")
    try:
        return str(ipaddress.ip_address(name.strip("[]")))
    except ValueError:
        pass
    try:
        plain = name.encode("idna").decode("ascii")
    except UnicodeError:
        plain = ""
    if not plain or not all(LABEL.fullmatch(label) for label in plain.split(".")):
        raise BadInput(f"HOLDFAST_TLS_NAMES: {text.strip()!r} is neither a host name nor an address.")
    return plain


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    public: ec.EllipticCurvePublicKey,
    issuer_public: ec.EllipticCurvePublicKey,
    now: datetime,
    life: timedelta,
    serial: int | None = None,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(serial or x509.random_serial_number())
        .not_valid_before(now - CLOCK_SKEW)
        .not_valid_after(now + life)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_public), critical=False
        )
    )  # fmt: skip


def _key_usage(*, signs_certificates: bool) -> x509.KeyUsage:
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


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _pem(key: ec.EllipticCurvePrivateKey) -> str:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()


def _der(key: PublicKeyTypes | CertificatePublicKeyTypes) -> bytes:
    return key.public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
