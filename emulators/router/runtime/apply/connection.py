"""The tunnel's connection as charon is told it, and what its list of SAs means. Layer: router firmware, pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from emulators.common.device_config import Tunnel
from emulators.common.swanctl import CHILD, Means, build_child

Standing = Literal["up", "busy", "idle"]

_PASSING = frozenset({"INSTALLED", "UPDATING", "REKEYING", "REKEYED"})  # states in which a CHILD SA carries packets


def build_connection(tunnel: Tunnel, gateway: str, means: Means) -> dict[str, Any]:
    """Return the connection to the gateway at an address, in vici's terms.

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
    return {
        "version": "2",
        "remote_addrs": [gateway],
        "proposals": list(tunnel.ike_proposals),
        "encap": "yes",
        "mobike": "no",
        "dpd_delay": f"{tunnel.dpd_s}s",
        "keyingtries": "1",
        "unique": "replace",
        "send_cert": "always",
        "local": local,
        "remote": remote,
        "children": {
            CHILD: build_child(
                tunnel.esp_proposals,
                tunnel.local_subnets,
                tunnel.remote_subnets,
                means,
                start_action="none",
                close_action="none",
                dpd_action="clear",
            )
        },
    }


def judge_sas(sas: Sequence[Mapping[str, Any]]) -> Standing:
    """Return ``up`` when a child carries packets, ``busy`` while one is being made, else ``idle``."""
    children = [child for sa in sas for child in sa.get("child-sas", {}).values()]
    if any(child.get("state") in _PASSING for child in children):
        return "up"
    if any(sa.get("state") in ("CREATED", "CONNECTING") for sa in sas):
        return "busy"
    return "idle"
