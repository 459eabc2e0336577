"""The keys and certificates of one run. Layer: lab; makes keys (the system's random source), no files.

    manufacturer CA -> device certificate       IEEE 802.1AR DevID: who the router is (RFC 8572 section 9.2)
    bootstrap CA    -> management's certificate  what the device trusts before it knows anybody
    HQ CA           -> gateway's, branch's       IKEv2 peers with method ``certificate``
                    -> log server's, another's   syslog by TLS (RFC 5425 section 5)
    sign-in CA      -> identity provider's       whom the management server asks who an operator is
                    -> webhook's                 where it sends alerts, by HTTPS
    firmware signing key, operator's SSH key pair and first password

All are ECDSA P-256 (FIPS 186-5, secp256r1). Nothing outlives the run. Time is an argument. Not here: who gets what
(seeds.py), images (firmware.py).
"""

from __future__ import annotations

import ipaddress
import secrets
import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from asn1crypto import core
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

HARDWARE_MODULE_NAME = x509.ObjectIdentifier("1.3.6.1.5.5.7.8.4")
"""RFC 4108 section 5: id-on-hardwareModuleName."""
HARDWARE_TYPE = "1.3.6.1.4.1.32473.1.1"
"""RFC 5612: private enterprise number 32473 is for documentation; the two last arcs are this bench's."""
NO_EXPIRY = datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)
"""RFC 5280 section 4.1.2.5: 99991231235959Z says that a certificate has no well-defined expiration date."""
MADE_BEFORE_CLOCK = timedelta(days=365)
"""Manufacturer's certificates and both other CAs begin this long before the clock that a device without a battery
starts with, so that only the servers' own certificates can be "not yet valid" to it. Our choice, no source."""
IMPOSTOR = "another.invalid"
"""RFC 6761 section 6.4: a name that no server has."""
ACCESS_SERVER = "radius.invalid"
"""RFC 6761 section 6.4. Supplicants are told the authority of its own, not the name."""
SERVER_AGE = timedelta(days=1)
SERVER_LIFE = timedelta(days=90)
CA_LIFE = timedelta(days=3650)
LETTERS, FIRST_PASSWORD_LENGTH = string.ascii_letters + string.digits, 20
"""Some 119 bits: far more than any rule asks for (NIST SP 800-63B section 5.1.1.1: six characters made by chance)."""


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
class KeyPair:
    """`public` is PEM, or an OpenSSH line for the operator's."""

    public: str
    private_pem: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class Pki:
    manufacturer_ca_pem: str
    device: Credential
    bootstrap_ca_pem: str
    management: Credential
    hq_ca_pem: str
    gateway: Credential
    branch: Credential
    log_server: Credential
    log_impostor: Credential
    """Of the same authority, for a name that nobody asks for."""
    sign_in_ca_pem: str
    sign_in: Credential
    webhook: Credential
    firmware: KeyPair
    operator: KeyPair
    operator_password: str = field(repr=False)
    """The first one, of this device alone (PCI DSS 4.0.1, 8.3.5)."""


@dataclass(frozen=True, slots=True)
class Subjects:
    """Whom to make certificates for."""

    serial: str
    mac: str
    bootstrap_hosts: tuple[str, ...]
    gateway_id: str
    branch_id: str
    log_server: str = "localhost"
    sign_in: str = "localhost"
    webhook: str = "localhost"


@dataclass(frozen=True, slots=True)
class _Authority:
    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def pem(self) -> str:
        return _to_pem(self.certificate)


def make_pki(subjects: Subjects, now: datetime, device_clock: datetime) -> Pki:
    """Make all keys and certificates of a run. `device_clock`: what the device's clock shows at power-on."""
    made = device_clock - MADE_BEFORE_CLOCK
    manufacturer = _make_authority("Bench Router Works root CA", made, NO_EXPIRY)
    bootstrap = _make_authority("Bench bootstrap CA", made, now + CA_LIFE)
    headquarters = _make_authority("Bench headquarters CA", made, now + CA_LIFE)
    sign_in = _make_authority("Bench sign-in CA", made, now + CA_LIFE)
    since, until = now - SERVER_AGE, now + SERVER_LIFE
    names = tuple(dict.fromkeys(subjects.bootstrap_hosts))
    server = ExtendedKeyUsageOID.SERVER_AUTH
    return Pki(
        manufacturer_ca_pem=manufacturer.pem,
        device=_issue_device(manufacturer, subjects, made),
        bootstrap_ca_pem=bootstrap.pem,
        management=_issue(bootstrap, _common_name(names[0]), map(build_san, names), (since, until), server),
        hq_ca_pem=headquarters.pem,
        gateway=_issue_peer(headquarters, subjects.gateway_id, (since, until)),
        branch=_issue_peer(headquarters, subjects.branch_id, (since, until)),
        log_server=_issue_server(headquarters, subjects.log_server, (since, until)),
        log_impostor=_issue_server(headquarters, IMPOSTOR, (since, until)),
        sign_in_ca_pem=sign_in.pem,
        sign_in=_issue_server(sign_in, subjects.sign_in, (since, until)),
        webhook=_issue_server(sign_in, subjects.webhook, (since, until)),
        firmware=_make_key_pair(),
        operator=_make_ssh_key_pair(),
        operator_password="".join(secrets.choice(LETTERS) for _ in range(FIRST_PASSWORD_LENGTH)),
    )


@dataclass(frozen=True, slots=True)
class AccessPki:
    """Certificates of network access: the RADIUS server's, and by user the right ones and another authority's."""

    server: Credential
    clients: Mapping[str, Credential]
    strangers: Mapping[str, Credential]


def make_access_pki(users: Iterable[str], now: datetime) -> AccessPki:
    """Make the certificates of 802.1X. `users`: whom each client authenticates as."""
    validity = (now - SERVER_AGE, now + SERVER_LIFE)
    access, another = (
        _make_authority(name, now - SERVER_AGE, now + CA_LIFE) for name in ("Bench network access CA", "Another CA")
    )
    names = tuple(users)

    def issue(authority: _Authority) -> dict[str, Credential]:
        purpose = ExtendedKeyUsageOID.CLIENT_AUTH
        return {n: _issue(authority, _common_name(n), (build_san(n),), validity, purpose) for n in names}

    return AccessPki(_issue_server(access, ACCESS_SERVER, validity), issue(access), issue(another))


def build_san(identity: str) -> x509.GeneralName:
    """Return the subjectAltName of a host or an IKE identity: IPv4 address, mail address (``a@b``), else DNS name."""
    try:
        return x509.IPAddress(ipaddress.IPv4Address(identity))
    except ValueError:
        return x509.RFC822Name(identity) if "@" in identity else x509.DNSName(identity)


def build_hardware_module_name(mac: str) -> x509.OtherName:
    """Return the otherName that ties a certificate to hardware (RFC 4108 section 5): hwType, hwSerialNum = the MAC."""

    class HardwareModuleName(core.Sequence):  # type: ignore[misc]  # asn1crypto has no types
        _fields = [("hw_type", core.ObjectIdentifier), ("hw_serial_num", core.OctetString)]  # noqa: RUF012

    octets = bytes.fromhex(mac.replace(":", "").replace("-", ""))
    value = HardwareModuleName({"hw_type": HARDWARE_TYPE, "hw_serial_num": octets})
    return x509.OtherName(HARDWARE_MODULE_NAME, value.dump())


def _issue_device(authority: _Authority, subjects: Subjects, made: datetime) -> Credential:
    """IEEE 802.1AR: the subject carries the serial number, the certificate does not expire."""
    subject = x509.Name([x509.NameAttribute(NameOID.SERIAL_NUMBER, subjects.serial)])
    names = (build_hardware_module_name(subjects.mac),)
    return _issue(authority, subject, names, (made, NO_EXPIRY), ExtendedKeyUsageOID.CLIENT_AUTH)


def _issue_peer(authority: _Authority, identity: str, validity: tuple[datetime, datetime]) -> Credential:
    return _issue(authority, _common_name(identity), (build_san(identity),), validity, None)


def _issue_server(authority: _Authority, host: str, validity: tuple[datetime, datetime]) -> Credential:
    return _issue(authority, _common_name(host), (build_san(host),), validity, ExtendedKeyUsageOID.SERVER_AUTH)


def _make_authority(name: str, since: datetime, until: datetime) -> _Authority:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _common_name(name)
    builder = _begin(subject, subject, key.public_key(), (since, until))
    builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    builder = builder.add_extension(_key_usage(signs_certificates=True), critical=True)
    return _Authority(builder.sign(key, hashes.SHA256()), key)


def _issue(
    authority: _Authority,
    subject: x509.Name,
    names: Iterable[x509.GeneralName],
    validity: tuple[datetime, datetime],
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
    return Credential(_to_pem(certificate), authority.pem, _private_pem(key))


def _begin(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, validity: tuple[datetime, datetime]
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


def _common_name(text: str) -> x509.Name:
    # RFC 5280 Appendix A: ub-common-name is 64.
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def _make_key_pair() -> KeyPair:
    key = ec.generate_private_key(ec.SECP256R1())
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    return KeyPair(public.decode(), _private_pem(key))


def _make_ssh_key_pair() -> KeyPair:
    """An ``ecdsa-sha2-nistp256`` key (RFC 5656)."""
    key = ec.generate_private_key(ec.SECP256R1())
    public = key.public_key().public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)
    return KeyPair(public.decode() + " operator@bench", _private_pem(key))


def _private_pem(key: ec.EllipticCurvePrivateKey) -> str:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()


def _to_pem(certificate: x509.Certificate) -> str:
    return certificate.public_bytes(serialization.Encoding.PEM).decode()
