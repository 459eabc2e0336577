"""The tunnel's connection as charon is told it, and what its list of SAs means. Layer: router firmware, pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from ipaddress import IPv4Network
from typing import Any, Literal

from emulators.common.device_config import Tunnel
from emulators.common.swanctl import CHILD, Means, build_child

Standing = Literal["up", "busy", "idle"]

_PASSING = frozenset({"INSTALLED", "UPDATING", "REKEYING", "REKEYED"})  # states in which a CHILD SA carries packets


IKE_PORT, NAT_PORT = 500, 4500
"""RFC 7296 section 2, and 2.23: a responder listens on both, and an initiator may begin on either."""


REST = "rest"
"""The child for networks that the gateway left out when it was asked for all."""


def build_connection(
    tunnel: Tunnel, gateway: str, means: Means, port: int = IKE_PORT, rest: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Return the connection to the gateway at an address, in vici's terms. `port`: where IKE begins. `rest`: networks
    to ask for in a child of their own.

    charon tries once (``keyingtries``) and starts nothing by itself: trying again is the caller's, who then asks for
    the gateway's address anew, and also after a refusal, which charon takes as final. An uplink that changes gets a new
    SA and no MOBIKE (RFC 4555), so that a gateway without it will do.
    """
    local: dict[str, Any] = {"id": tunnel.local_id}
    remote: dict[str, Any] = {"id": tunnel.remote_id}
    if tunnel.method == "psk":
        local["auth"] = remote["auth"] = "psk"
    else:
        local |= {"auth": "pubkey", "certs": [tunnel.certificate_pem]}
        remote |= {"auth": "pubkey", "cacerts": [tunnel.remote_ca_pem]}
    children = {CHILD: tunnel.local_subnets, **({REST: rest} if rest else {})}
    return {
        "version": "2",
        "remote_addrs": [gateway],
        "local_port": str(port),
        "remote_port": str(port),
        "proposals": list(tunnel.ike_proposals),
        "encap": "yes",
        "mobike": "no",
        "dpd_delay": f"{tunnel.dpd_s}s",
        "keyingtries": "1",
        "unique": "replace",
        "send_cert": "always",
        "local": local,
        "remote": remote,
        "children": {name: _build_child(tunnel, networks, means) for name, networks in children.items()},
    }


def _build_child(tunnel: Tunnel, networks: tuple[str, ...], means: Means) -> dict[str, Any]:
    return build_child(
        tunnel.esp_proposals,
        networks,
        tunnel.remote_subnets,
        means,
        start_action="none",
        close_action="none",
        dpd_action="clear",
    )


def find_left_out(sas: Sequence[Mapping[str, Any]], wanted: Sequence[str]) -> tuple[str, ...]:
    """Return the networks of ours that no child carries: a gateway may narrow what it is asked for (RFC 7296 section
    2.9)."""
    children = [child for sa in sas for child in sa.get("child-sas", {}).values() if child.get("state") in _PASSING]
    carried = [IPv4Network(text) for child in children for text in child.get("local-ts", ())]
    return tuple(n for n in wanted if not any(IPv4Network(n).subnet_of(c) for c in carried))


def judge_sas(sas: Sequence[Mapping[str, Any]]) -> Standing:
    """Return ``up`` when a child carries packets, ``busy`` while one is being made, else ``idle``."""
    children = [child for sa in sas for child in sa.get("child-sas", {}).values()]
    if any(child.get("state") in _PASSING for child in children):
        return "up"
    if any(sa.get("state") in ("CREATED", "CONNECTING") for sa in sas):
        return "busy"
    return "idle"
