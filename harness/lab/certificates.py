"""Certificates and their keys, one at a time: an authority, and what it issues. Layer: lab; makes keys, no files.

All are ECDSA P-256 (FIPS 186-5, secp256r1). Time is an argument.
Not here: which there are in a run (pki.py, spares.py).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

Validity = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Credential:
    """A certificate with its key. `chain_pem`: the CA certificates above it, the root included."""

    certificate_pem: str
    chain_pem: str
    key_pem: str = field(repr=False)

    def build_pair(self) -> dict[str, str]:
        """Return certificate and key as a seed has them."""
        return {"certificate_pem": self.certificate_pem, "key_pem": self.key_pem}


@dataclass(frozen=True, slots=True)
class Authority:
    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def pem(self) -> str:
        return _to_pem(self.certificate)


def build_san(identity: str) -> x509.GeneralName:
    """Return the subjectAltName of a host or an IKE identity: IPv4 address, mail address (``a@b``), else DNS name."""
    try:
        return x509.IPAddress(ipaddress.IPv4Address(identity))
    except ValueError:
        return x509.RFC822Name(identity) if "@" in identity else x509.DNSName(identity)


def issue_server(authority: Authority, host: str, validity: Validity) -> Credential:
    return issue(authority, name_common(host), (build_san(host),), validity, ExtendedKeyUsageOID.SERVER_AUTH)


def self_sign_server(host: str, validity: Validity) -> Credential:
    """Return a server's certificate that nobody but itself answers for."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = name_common(host)
    builder = _begin(subject, subject, key.public_key(), validity)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    builder = builder.add_extension(x509.SubjectAlternativeName([build_san(host)]), critical=False)
    pem = _to_pem(builder.sign(key, hashes.SHA256()))
    return Credential(pem, pem, render_key(key))


def make_authority(name: str, since: datetime, until: datetime) -> Authority:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = name_common(name)
    builder = _begin(subject, subject, key.public_key(), (since, until))
    builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    builder = builder.add_extension(_key_usage(signs_certificates=True), critical=True)
    return Authority(builder.sign(key, hashes.SHA256()), key)


def issue(
    authority: Authority,
    subject: x509.Name,
    names: Iterable[x509.GeneralName],
    validity: Validity,
    purpose: x509.ObjectIdentifier | None,
) -> Credential:
    key = ec.generate_private_key(ec.SECP256R1())
    builder = _begin(subject, authority.certificate.subject, key.public_key(), validity)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    builder = builder.add_extension(_key_usage(signs_certificates=False), critical=True)
    builder = builder.add_extension(x509.SubjectAlternativeName(list(names)), critical=False)
    builder = builder.add_extension(
        x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key()), critical=False
    )
    if purpose is not None:
        builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
    certificate = builder.sign(authority.key, hashes.SHA256())
    return Credential(_to_pem(certificate), authority.pem, render_key(key))


def _begin(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, validity: Validity
) -> x509.CertificateBuilder:
    builder = x509.CertificateBuilder(issuer, subject, key, x509.random_serial_number(), validity[0], validity[1])
    return builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)


def _key_usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def name_common(text: str) -> x509.Name:
    # RFC 5280 Appendix A: ub-common-name is 64.
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def render_key(key: ec.EllipticCurvePrivateKey) -> str:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()


def _to_pem(certificate: x509.Certificate) -> str:
    return certificate.public_bytes(serialization.Encoding.PEM).decode()
