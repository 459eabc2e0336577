"""The gateway's end of the tunnel in charon's terms, its packet filter, and its events. Layer: stand-in, pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from emulators.common.swanctl import CHILD, TUNNEL_INTERFACE, Means, build_child, name_esp, name_ike
from emulators.common.vici_events import is_up, sections

INET, HQLAN = "inet", "hqlan"


@dataclass(frozen=True, slots=True)
class GatewayTunnel:
    """The seed's settings.tunnel. `local_subnets` are headquarters', `remote_subnets` the branch's."""

    local_id: str
    remote_id: str
    local_subnets: tuple[str, ...]
    remote_subnets: tuple[str, ...]
    ike_proposals: tuple[str, ...]
    esp_proposals: tuple[str, ...]
    dpd_s: int
    method: Literal["psk", "certificate"]
    psk: str | None = None
    certificate_pem: str | None = None
    key_pem: str | None = None
    remote_ca_pem: str | None = None


def build_responder(tunnel: GatewayTunnel, means: Means) -> dict[str, Any]:
    """Return the connection that waits for the branch, wherever it comes from."""
    local: dict[str, Any] = {"id": tunnel.local_id}
    remote: dict[str, Any] = {"id": tunnel.remote_id}
    if tunnel.method == "psk":
        local["auth"] = remote["auth"] = "psk"
    else:
        local |= {"auth": "pubkey", "certs": [tunnel.certificate_pem]}
        remote |= {"auth": "pubkey", "cacerts": [tunnel.remote_ca_pem]}
    child = build_child(
        tunnel.esp_proposals,
        tunnel.local_subnets,
        tunnel.remote_subnets,
        means,
        dpd_action="clear",
        start_action="none",
    )
    return {
        "version": "2",
        "remote_addrs": ["%any"],
        "proposals": list(tunnel.ike_proposals),
        "encap": "yes",
        "mobike": "no",
        "dpd_delay": f"{tunnel.dpd_s}s",
        "unique": "replace",
        "send_cert": "always",
        "local": local,
        "remote": remote,
        "children": {CHILD: child},
    }


def render_filter() -> str:
    """Return the nft script: headquarters' LAN and the internet meet in the tunnel only."""
    return (
        "table inet headquarters\ndelete table inet headquarters\n"
        "table inet headquarters {\n"
        "  chain crossing {\n"
        "    type filter hook forward priority filter; policy drop;\n"
        f'    iifname "{HQLAN}" oifname "{TUNNEL_INTERFACE}" accept\n'
        f'    iifname "{TUNNEL_INTERFACE}" oifname "{HQLAN}" accept\n'
        "    counter drop\n"
        "  }\n"
        "}\n"
    )


def describe_event(kind: str, event: Mapping[str, Any], means: Means) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the bench's events for one of charon's (``ike-updown``, ``child-updown``, ``child-rekey`` is none)."""
    for _, ike in sections(event):
        if kind == "ike-updown" and is_up(event):
            yield (
                "sa.established",
                {
                    "ike": name_ike(ike),
                    "local_id": ike.get("local-id", ""),
                    "remote_id": ike.get("remote-id", ""),
                    "nat": ike.get("nat-any", "no") == "yes",
                    "remote": f"{ike.get('remote-host', '')}:{ike.get('remote-port', '')}",
                },
            )
        elif kind == "child-updown":
            for child in ike.get("child-sas", {}).values():
                yield (
                    "child.installed" if is_up(event) else "child.removed",
                    {
                        "peer": ike.get("remote-id", ""),
                        **describe_child(child, means),
                    },
                )


def describe_child(child: Mapping[str, Any], means: Means) -> dict[str, Any]:
    """Return what the bench says of a CHILD SA. `encap`: ESP travels in UDP."""
    return {
        "esp": name_esp(child),
        "local_ts": list(child.get("local-ts", [])),
        "remote_ts": list(child.get("remote-ts", [])),
        "encap": child.get("encap", "no") == "yes",
        "means": means,
    }
