"""What the internet's node is told: names, web, resolvers, sign-in, webhook, applications. Layer: lab, pure.

Not here: the seeds of the other nodes (seeds.py), where each of its addresses lies (bench_links.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from harness.core import app_names, threat_ways
from harness.core.model import Plan
from harness.core.sections import Branch
from harness.core.web_names import OTHER_RESOLVERS, find_resolvers
from harness.lab.bench_links import FIXED_LINE, INTERNET, SIGN_IN, build_zones
from harness.lab.pki import Pki
from harness.lab.topology import Topology

HTTPS_PORT, HTTP_PORT = 443, 80
OPERATOR = "operator"
"""An operator's name where the profile has no administration to take it from."""
WEB_NAME = "www.example"
"""A name on the bench's internet for whoever may reach it (RFC 2606 section 2: the TLD is reserved)."""


@dataclass(frozen=True, slots=True)
class DeskAccount:
    """What an operator signs in with at the identity provider. `totp_secret`: 20 octets (RFC 4226 section 4)."""

    password: str = field(repr=False)
    totp_secret: bytes = field(repr=False)


def build_internet(plan: Plan, pki: Pki, desk: DeskAccount, topology: Topology) -> dict[str, Any]:
    """Return the settings of the internet's node."""
    zones = build_zones(plan) | {WEB_NAME: INTERNET}
    return {
        "zones": zones,
        "fixed_line": dict(FIXED_LINE) if "fixed" in topology.networks else None,
        "web": [WEB_NAME],
        "webhook": _webhook(plan, pki),
        "resolvers": _resolvers(plan),
        "sign_in": _sign_in(plan.branch, pki, desk),
        "applications": _applications(plan),
        "exchange": list(threat_ways.list_ports(plan, threat_ways.INTERNET_NODE)),
    }


def _applications(plan: Plan) -> dict[str, Any] | None:
    """Services for whoever may use them: where, at which TCP ports, under what names."""
    control = plan.branch.applications
    if control is None:
        return None
    names = sorted(app_names.build_app_zones(control))
    return {
        "addresses": list(app_names.list_addresses(control)),
        "ports": list(app_names.list_ports(control)),
        "names": names,
    }


def _sign_in(branch: Branch, pki: Pki, desk: DeskAccount) -> dict[str, Any] | None:
    """The identity provider, and the operator who signs in there."""
    operators = branch.operators
    if operators is None:
        return None
    user = branch.administration.user if branch.administration else OPERATOR
    account = {"name": user, "password": desk.password, "totp_secret": desk.totp_secret.hex()}
    return {
        "address": SIGN_IN,
        "issuer": operators.issuer,
        "audience": operators.audience,
        "users": [account],
        **pki.sign_in.build_pair(),
        "issuer_ca_pem": pki.sign_in_ca_pem,
        "server_ca_pem": pki.bootstrap_ca_pem,
    }


def _resolvers(plan: Plan) -> dict[str, Any] | None:
    """Other resolvers than the router's, for whoever could ask them."""
    control = plan.branch.web_filter
    return None if control is None else {"addresses": list(OTHER_RESOLVERS), "names": list(find_resolvers(control))}


def _webhook(plan: Plan, pki: Pki) -> dict[str, Any] | None:
    """Where the operator's own system takes alerts in."""
    alerts = plan.branch.alerts
    if alerts is None:
        return None
    parts = urlsplit(alerts.webhook)
    if parts.scheme == "https":
        return {"port": parts.port or HTTPS_PORT, "path": parts.path or "/", **pki.webhook.build_pair()}
    return {"port": parts.port or HTTP_PORT, "path": parts.path or "/"}
