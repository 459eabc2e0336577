"""The keys and certificates of one run. Layer: lab; makes keys (the system's random source), no files.

    manufacturer CA -> device certificate       IEEE 802.1AR DevID: who the router is (RFC 8572 section 9.2)
    bootstrap CA    -> management's certificate  what the device trusts before it knows anybody
    HQ CA           -> gateway's, branch's       IKEv2 peers with method ``certificate``
                    -> log server's, another's   syslog by TLS (RFC 5425 section 5)
    sign-in CA      -> identity provider's       whom the management server asks who an operator is
                    -> webhook's                 where it sends alerts, by HTTPS
    firmware signing key, operator's SSH key pair and first password

All are ECDSA P-256 (FIPS 186-5, secp256r1). Nothing outlives the run. Time is an argument. Not here: how a certificate
is made (certificates.py), those that are wrong (spares.py), who gets what (seeds.py), images (firmware.py).
"""

from __future__ import annotations

import secrets
import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from asn1crypto import core
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from harness.lab.certificates import (
    Authority,
    Credential,
    build_san,
    issue,
    issue_server,
    make_authority,
    name_common,
    render_key,
)
from harness.lab.spares import Spares, make_spares
from harness.lab.tunnel_spares import TunnelSpares, make_tunnel_spares

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
    other_firmware: KeyPair
    """Signs images that no device may start."""
    operator: KeyPair
    spares: Spares
    tunnel_spares: TunnelSpares
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
    second_server: str = "localhost"
    """Address of a second management server, of another authority."""


def make_pki(subjects: Subjects, now: datetime, device_clock: datetime) -> Pki:
    """Make all keys and certificates of a run. `device_clock`: what the device's clock shows at power-on."""
    made = device_clock - MADE_BEFORE_CLOCK
    manufacturer = make_authority("Bench Router Works root CA", made, NO_EXPIRY)
    bootstrap = make_authority("Bench bootstrap CA", made, now + CA_LIFE)
    headquarters = make_authority("Bench headquarters CA", made, now + CA_LIFE)
    sign_in = make_authority("Bench sign-in CA", made, now + CA_LIFE)
    since, until = now - SERVER_AGE, now + SERVER_LIFE
    names = tuple(dict.fromkeys(subjects.bootstrap_hosts))
    server = ExtendedKeyUsageOID.SERVER_AUTH
    device = _name_device(subjects)
    return Pki(
        manufacturer_ca_pem=manufacturer.pem,
        device=issue(manufacturer, *device, (made, NO_EXPIRY), ExtendedKeyUsageOID.CLIENT_AUTH),
        bootstrap_ca_pem=bootstrap.pem,
        management=issue(bootstrap, name_common(names[0]), map(build_san, names), (since, until), server),
        hq_ca_pem=headquarters.pem,
        gateway=_issue_peer(headquarters, subjects.gateway_id, (since, until)),
        branch=_issue_peer(headquarters, subjects.branch_id, (since, until)),
        log_server=issue_server(headquarters, subjects.log_server, (since, until)),
        log_impostor=issue_server(headquarters, IMPOSTOR, (since, until)),
        sign_in_ca_pem=sign_in.pem,
        sign_in=issue_server(sign_in, subjects.sign_in, (since, until)),
        webhook=issue_server(sign_in, subjects.webhook, (since, until)),
        firmware=_make_key_pair(),
        other_firmware=_make_key_pair(),
        operator=_make_ssh_key_pair(),
        spares=make_spares(
            bootstrap, manufacturer, host=names[0], second=subjects.second_server, device=device, now=now
        ),
        tunnel_spares=make_tunnel_spares(headquarters, subjects.gateway_id, subjects.branch_id, now),
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
        make_authority(name, now - SERVER_AGE, now + CA_LIFE) for name in ("Bench network access CA", "Another CA")
    )
    names = tuple(users)

    def issue_all(authority: Authority) -> dict[str, Credential]:
        purpose = ExtendedKeyUsageOID.CLIENT_AUTH
        return {n: issue(authority, name_common(n), (build_san(n),), validity, purpose) for n in names}

    return AccessPki(issue_server(access, ACCESS_SERVER, validity), issue_all(access), issue_all(another))


def build_hardware_module_name(mac: str) -> x509.OtherName:
    """Return the otherName that ties a certificate to hardware (RFC 4108 section 5): hwType, hwSerialNum = the MAC."""

    class HardwareModuleName(core.Sequence):  # type: ignore[misc]  # asn1crypto has no types
        _fields = [("hw_type", core.ObjectIdentifier), ("hw_serial_num", core.OctetString)]  # noqa: RUF012

    octets = bytes.fromhex(mac.replace(":", "").replace("-", ""))
    value = HardwareModuleName({"hw_type": HARDWARE_TYPE, "hw_serial_num": octets})
    return x509.OtherName(HARDWARE_MODULE_NAME, value.dump())


def _name_device(subjects: Subjects) -> tuple[x509.Name, tuple[x509.GeneralName, ...]]:
    """IEEE 802.1AR: the subject carries the serial number, an alternative name the hardware."""
    subject = x509.Name([x509.NameAttribute(NameOID.SERIAL_NUMBER, subjects.serial)])
    return subject, (build_hardware_module_name(subjects.mac),)


def _issue_peer(authority: Authority, identity: str, validity: tuple[datetime, datetime]) -> Credential:
    return issue(authority, name_common(identity), (build_san(identity),), validity, None)


def _make_key_pair() -> KeyPair:
    key = ec.generate_private_key(ec.SECP256R1())
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    return KeyPair(public.decode(), render_key(key))


def _make_ssh_key_pair() -> KeyPair:
    """An ``ecdsa-sha2-nistp256`` key (RFC 5656)."""
    key = ec.generate_private_key(ec.SECP256R1())
    public = key.public_key().public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)
    return KeyPair(public.decode() + " operator@bench", render_key(key))
