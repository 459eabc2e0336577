"""The device's configuration as the management server serves it: the fields of a DeviceConfig. Layer: lab, pure.

Made of the plan alone, secrets resolved: what others have on record for the site does not enter. Not here: the seeds of
the stand-ins (seeds.py), the document's bytes (emulators.common.device_config).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emulators.common.record import to_json
from harness.core.sections import Branch, SecretRef
from harness.lab.pki import Pki

Secrets = Mapping[str, str]


def build_config(branch: Branch, secrets: Secrets, pki: Pki) -> dict[str, Any]:
    """Return the fields of the DeviceConfig that the branch is to get, secrets resolved."""
    return {
        "format": 1,
        "site": branch.site,
        "hostname": branch.hostname,
        "segments": [to_json(segment) for segment in branch.segments],
        "uplinks": {"order": list(branch.uplinks), "health": to_json(branch.health)},
        "tunnel": _tunnel(branch, secrets, pki),
        "time_servers": list(branch.time_servers),
        "name_servers": list(branch.name_servers),
        "logging": _logging(branch, pki),
        "monitoring": _monitoring(branch, secrets),
        "administration": _administration(branch, pki),
        "management": {
            "servers": [f"{server.address}:{server.port}" for server in branch.bootstrap],
            "heartbeat_s": branch.heartbeat_s,
            "confirm_s": branch.confirm_s,
        },
        "radius": _radius(branch, secrets),
        "applications": to_json(branch.applications),
        "web_filter": to_json(branch.web_filter),
        "threats": to_json(branch.threats),
        "qos": to_json(branch.qos),
        "alerts": to_json(branch.alerts),
    }


def resolve(secrets: Secrets, ref: SecretRef | None) -> str | None:
    """Return a secret's value; None for none. Raises: KeyError for one that was not given."""
    return None if ref is None else secrets[ref.ref]


def _tunnel(branch: Branch, secrets: Secrets, pki: Pki) -> dict[str, Any]:
    tunnel = branch.tunnel
    by_certificate = tunnel.method == "certificate"
    return {
        **to_json(tunnel),
        "psk": resolve(secrets, tunnel.psk),
        "certificate_pem": pki.branch.certificate_pem if by_certificate else None,
        "key_pem": pki.branch.key_pem if by_certificate else None,
        "remote_ca_pem": pki.hq_ca_pem if by_certificate else None,
    }


def _logging(branch: Branch, pki: Pki) -> dict[str, Any] | None:
    logging = branch.logging
    if logging is None:
        return None
    return {
        "server": logging.server,
        "port": logging.port,
        "transport": logging.transport,
        "least": logging.least,
        "buffer_messages": logging.buffer_messages,
        "ca_pem": pki.hq_ca_pem if logging.transport == "tls" else None,
    }


def _monitoring(branch: Branch, secrets: Secrets) -> dict[str, Any] | None:
    if branch.monitoring is None:
        return None
    users = [
        {
            "name": user.name,
            "auth": user.auth,
            "auth_key": resolve(secrets, user.auth_key),
            "priv": user.priv,
            "priv_key": resolve(secrets, user.priv_key),
        }
        for user in branch.monitoring.users
    ]
    return {**to_json(branch.monitoring), "users": users}


def _administration(branch: Branch, pki: Pki) -> dict[str, Any] | None:
    administration = branch.administration
    if administration is None:
        return None
    return {
        "user": administration.user,
        "public_keys": [pki.operator.public] if "key" in administration.methods else [],
        "reach_from": list(administration.reach_from),
        "password": pki.operator_password if "password" in administration.methods else None,
        "lockout": to_json(administration.lockout),
        "passwords": to_json(administration.passwords),
    }


def _radius(branch: Branch, secrets: Secrets) -> dict[str, Any] | None:
    radius = branch.radius
    if radius is None:
        return None
    return {"server": radius.server, "port": radius.port, "secret": resolve(secrets, radius.secret)}
