"""Another branch has this one's networks behind it: a site that was set up from a copy. Layer: stand-in, I/O.

It is a real IKE peer with a real SA: a charon of its own, at an address of its own, with an identity and a key of its
own that the gateway knows. RFC 4301 section 4.4.1 leaves the order of like policies to the gateway; charon's newest
wins, so answers to the branch go to the site that came last. There they end: this peer has no LAN.
"""

from __future__ import annotations

import secrets
from dataclasses import replace
from ipaddress import IPv4Interface, IPv4Network
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import Daemon, Keeper, run, write_private
from emulators.common.swanctl import CHILD, build_child, render_charon
from emulators.common.vici_client import Charon
from emulators.hq.tunnel import INET, GatewayTunnel, build_responder

if TYPE_CHECKING:
    from emulators.hq.gateway import GatewayContext

KNOWN, PEER = "other-branch", "headquarters"
"""The gateway's connection for that branch, and that branch's own."""
KEY_OCTETS = 32
CONF, SOCKET = Path("/run/other-branch/strongswan.conf"), Path("/run/other-branch.vici")
SETTINGS = (
    "port = 0",  # any that is free: two daemons share the node, and a branch behind NAT has other ports, too
    "port_nat_t = 0",
    "routing_table = 221",  # the gateway's own has 220; it is taken away whole when a charon ends
    "routing_table_prio = 40000",  # after the node's own tables: its routes are that branch's affair
)
NAT_PORT = 4500  # RFC 7296 section 2.23
READY_S = 5.0


def offer(context: GatewayContext) -> dict[str, Impair]:
    responder = context.responder

    def share_networks(address: str) -> Mend:
        """Have another branch come up from `address` (with prefix length), with this one's networks."""
        inet = next(link for link in context.seed["links"] if link["name"] == INET)
        gateway = str(IPv4Interface(inet["addresses"][0]).ip)
        other = context.seed["settings"]["other_branch"]
        tunnel = replace(responder.tunnel, remote_id=str(other["id"]), psk=secrets.token_hex(KEY_OCTETS))
        addresses = address, *find_lan_addresses(tunnel)
        for one in addresses:
            run(["ip", "addr", "add", one, "dev", INET])
        daemon = _start_daemon()
        let_in(responder.charon, tunnel, build_responder(tunnel, responder.means))
        host = str(IPv4Interface(address).ip)
        site = Charon(SOCKET)
        _tell(site, tunnel, str(other["key_pem"]))
        site.load_connection(PEER, build_peer(tunnel, other, host=host, gateway=gateway))
        site.initiate(CHILD, PEER)

        def go() -> None:
            daemon.stop()  # charon tells the gateway as it ends: DELETE, RFC 7296 section 1.4.1
            responder.charon.unload_connection(KNOWN)
            responder.charon.terminate(KNOWN)
            if tunnel.method == "psk":
                responder.charon.unload_psk((tunnel.local_id, tunnel.remote_id))
            for one in addresses:
                run(["ip", "addr", "del", one, "dev", INET])

        return go

    return {"share_networks": share_networks}


def find_lan_addresses(tunnel: GatewayTunnel) -> tuple[str, ...]:
    """Return the other branch's own address in each of the networks that it has, too: charon asks for one. The last
    hosts', which DHCP gives to nobody."""
    return tuple(f"{IPv4Network(text).broadcast_address - 1}/32" for text in tunnel.remote_subnets)


def _start_daemon() -> Keeper:
    """Start the other branch's charon; ESP in user space, so that it shares nothing with the gateway's."""
    write_private(CONF, render_charon("userspace", "", str(SOCKET), SETTINGS))
    SOCKET.unlink(missing_ok=True)
    everything = ""  # in every line: what that branch says is not in the gateway's log
    daemon = Daemon("other branch", ("/usr/sbin/charon-systemd",), {"STRONGSWAN_CONF": str(CONF)}, hushed=everything)
    keeper = Keeper(daemon).start()
    try:
        keeper.wait_ready(Charon(SOCKET).is_there, READY_S)
    except BaseException:
        keeper.stop()
        raise
    return keeper


def let_in(charon: Charon, tunnel: GatewayTunnel, connection: dict[str, Any]) -> None:
    """Have the gateway know the other branch."""
    if tunnel.method == "psk":
        charon.load_psk(tunnel.psk or "", (tunnel.local_id, tunnel.remote_id))
    charon.load_connection(KNOWN, connection)


def _tell(site: Charon, tunnel: GatewayTunnel, key_pem: str) -> None:
    if tunnel.method == "psk":
        site.load_psk(tunnel.psk or "", (tunnel.local_id, tunnel.remote_id))
    else:
        site.load_key(key_pem)
        site.load_ca(tunnel.remote_ca_pem or "")


def build_peer(tunnel: GatewayTunnel, other: dict[str, Any], *, host: str, gateway: str) -> dict[str, Any]:
    """Return the other branch's own connection. `tunnel`: as the gateway knows it."""
    local: dict[str, Any] = {"id": tunnel.remote_id}
    remote: dict[str, Any] = {"id": tunnel.local_id}
    if tunnel.method == "psk":
        local["auth"] = remote["auth"] = "psk"
    else:
        local |= {"auth": "pubkey", "certs": [other["certificate_pem"]]}
        remote |= {"auth": "pubkey", "cacerts": [tunnel.remote_ca_pem]}
    networks = tunnel.remote_subnets, tunnel.local_subnets  # seen from the other end
    child = build_child(tunnel.esp_proposals, *networks, "userspace", start_action="none")
    return {
        "version": "2",
        "local_addrs": [host],
        "remote_addrs": [gateway],
        "remote_port": str(NAT_PORT),
        "proposals": list(tunnel.ike_proposals),
        "encap": "yes",
        "mobike": "no",
        "keyingtries": "1",
        "send_cert": "always",
        "local": local,
        "remote": remote,
        "children": {CHILD: child},
    }
