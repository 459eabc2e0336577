"""What admission needs in a run: users, certificates, and who is told what of them. Layer: lab, makes keys.

    network access CA -> RADIUS server's certificate, each client's (EAP-TLS, RFC 5216)
    another CA        -> certificates in the same names, for the wrong ones

All are made for the run, with a password for each client. Not here: who tries what (core/admission_cast.py).
"""

from __future__ import annotations

import secrets as random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from harness.core.admission_cast import METHODS, Port, find_own_mac, list_ports
from harness.core.model import Plan
from harness.lab.certificates import Credential
from harness.lab.device_seed import Secrets, resolve
from harness.lab.pki import AccessPki, make_access_pki

PASSWORD_BYTES = 12


@dataclass(frozen=True, slots=True)
class Access:
    """A run's means of admission: certificates and passwords by user."""

    pki: AccessPki
    passwords: Mapping[str, str] = field(repr=False)


def make_access(plan: Plan, now: datetime) -> Access | None:
    """Make what the run's 802.1X needs; None where no segment asks for it."""
    users = tuple(find_user(port) for port in _asking(plan))
    if not users:
        return None
    return Access(make_access_pki(users, now), {user: random.token_urlsafe(PASSWORD_BYTES) for user in users})


def find_user(port: Port) -> str:
    """Return the name by which the devices of a port authenticate."""
    return f"{port.segment.name}-{port.number}"


def list_secrets(access: Access | None) -> dict[str, str]:
    """Return what must be struck out of evidence, by reference."""
    if access is None:
        return {}
    keys = {f"run:access_key:{user}": made.key_pem for user, made in access.pki.clients.items()}
    return keys | {f"run:access_password:{user}": word for user, word in access.passwords.items()}


def build_radius(plan: Plan, secrets: Secrets, access: Access | None) -> dict[str, Any] | None:
    """Return the ``radius`` settings of HQ's endpoint; None where the profile has no server, or none asks it."""
    radius = plan.branch.radius
    if radius is None or access is None:
        return None
    return {
        "port": radius.port,
        "secret": resolve(secrets, radius.secret),
        "users": [{"user": user, "password": word} for user, word in access.passwords.items()],
        "certificates": {**access.pki.server.build_pair(), "client_ca_pem": access.pki.server.chain_pem},
    }


def build_client(plan: Plan, number: int, access: Access | None) -> dict[str, Any] | None:
    """Return the ``admission`` settings of the client at a port; None where the port is open, or of no segment."""
    port = next((p for p in list_ports(plan) if p.number == number), None)
    if port is None or port.segment.admission.method == "open":
        return None
    settings: dict[str, Any] = {"method": port.segment.admission.method, "mac": find_own_mac(port.segment, number)}
    if port.segment.admission.method == "dot1x" and access is not None:
        settings["credentials"] = _build_credentials(port, access)
    return settings


def _asking(plan: Plan) -> tuple[Port, ...]:
    return tuple(port for port in list_ports(plan) if port.segment.admission.method == "dot1x")


def _build_credentials(port: Port, access: Access) -> dict[str, Any]:
    user, ca_pem = find_user(port), access.pki.server.chain_pem
    word = access.passwords[user]
    made = {
        "right_tls": _by_certificate(user, access.pki.clients[user], ca_pem),
        "wrong_tls": _by_certificate(user, access.pki.strangers[user], ca_pem),
        "right_peap": _by_password(user, word, ca_pem),
        "wrong_peap": _by_password(user, f"{word[::-1]}-", ca_pem),
    }
    first = next(method for method in (*port.segment.admission.eap, *METHODS))
    return {**made, "own": made[f"right_{first}"]}


def _by_certificate(user: str, credential: Credential, ca_pem: str) -> dict[str, str]:
    return {"eap": "tls", "identity": user, "ca_pem": ca_pem, **credential.build_pair()}


def _by_password(user: str, password: str, ca_pem: str) -> dict[str, str]:
    return {"eap": "peap", "identity": user, "ca_pem": ca_pem, "password": password}
