"""Start charon, with ESP by the kernel where it has it and in user space elsewhere. Layer: stand-in, I/O.

Not here: the connection to load (the router's and the gateway's own), the control socket (vici_client.py), texts
(swanctl.py).
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterable
from pathlib import Path

from emulators.common.supervise import Daemon, DaemonError, Keeper, run, write_private
from emulators.common.swanctl import TUNNEL_INTERFACE, XFRM_IF_ID, Means
from emulators.common.vici_client import SOCKET, Charon

CONF = Path("/run/etc/strongswan.conf")
READY_S = 5.0
USERSPACE_INNER_BYTES = 1400
"""strongSwan 5.9's kernel-libipsec reads its TUN into a buffer of TUN_DEFAULT_MTU (kernel_libipsec_router.c) and cuts
what is longer, whatever the interface's MTU. The constant's name is from memory; the limit was measured."""

_PROBE = "ip xfrm state {verb} src 192.0.2.1 dst 192.0.2.2 proto esp spi {spi}"  # RFC 5737: never a real peer
_ALGORITHMS = {
    "rfc4106(gcm(aes))": "aead rfc4106(gcm(aes)) {key36} 128",
    "authenc(hmac(sha256),cbc(aes))": "auth-trunc hmac(sha256) {key32} 128 enc cbc(aes) {key32}",
}


def choose_means() -> tuple[Means, str]:
    """Return who can do ESP here, and why: found by trying, in this network namespace only."""
    for spi, (name, words) in enumerate(_ALGORITHMS.items(), start=0x1000):
        key36, key32 = f"0x{secrets.token_hex(36)}", f"0x{secrets.token_hex(32)}"
        add = [*_PROBE.format(verb="add", spi=spi).split(), "reqid", "1", "mode", "tunnel"]
        try:
            run([*add, *words.format(key36=key36, key32=key32).split()])
        except DaemonError as error:
            return "userspace", f"no kernel ESP with {name}: {_reason(error, (key36, key32))}"
        run(_PROBE.format(verb="delete", spi=spi).split())
    try:
        run(["ip", "link", "add", TUNNEL_INTERFACE, "type", "xfrm", "dev", "lo", "if_id", str(XFRM_IF_ID)])
    except DaemonError as error:
        return "userspace", f"no xfrm interface: {_reason(error)}"
    run(["ip", "link", "del", TUNNEL_INTERFACE])
    return "kernel", "kernel ESP took a state of each kind, and has xfrm interfaces"


def start_charon(conf: str, on_line: Callable[[str], None] | None = None, preload: Path | None = None) -> Keeper:
    """Start charon with the settings `conf` and wait until it answers. `preload`: a library to load into it, after
    those of the environment. Raises: DaemonError."""
    write_private(CONF, conf)
    SOCKET.unlink(missing_ok=True)
    environment = {"STRONGSWAN_CONF": str(CONF)}
    if preload is not None:
        environment["LD_PRELOAD"] = f"{os.environ.get('LD_PRELOAD', '')}:{preload}".lstrip(":")
    daemon = Daemon("charon", ("/usr/sbin/charon-systemd",), environment, on_line)
    keeper = Keeper(daemon).start()
    try:
        keeper.wait_ready(Charon().is_there, READY_S)
    except BaseException:
        keeper.stop()
        raise
    return keeper


def prepare_interface(means: Means, remote_subnets: Iterable[str], source: str) -> None:
    """Make the tunnel's interface where the kernel does ESP, and lead the far end's networks into it for good.

    With ESP in user space charon makes it. The routes of the main table stand whether the tunnel is up or not: what is
    meant for the far end then dies in the interface and not in clear on a WAN. `source`: address for own packets.
    """
    if means == "kernel":
        run(["ip", "link", "add", TUNNEL_INTERFACE, "type", "xfrm", "dev", "lo", "if_id", str(XFRM_IF_ID)])
    run(["ip", "link", "set", TUNNEL_INTERFACE, "up"])
    route_tunnel(remote_subnets, source)


def route_tunnel(remote_subnets: Iterable[str], source: str) -> None:
    """Lead networks into the tunnel's interface. `source`: address for own packets."""
    for subnet in remote_subnets:
        run(["ip", "route", "replace", subnet, "dev", TUNNEL_INTERFACE, "src", source])


def remove_interface(means: Means) -> None:
    """Take away what prepare_interface made (user-space ESP's goes with charon)."""
    if means == "kernel":
        run(["ip", "link", "del", TUNNEL_INTERFACE])


def set_tunnel_mtu(mtu_bytes: int) -> None:
    """Set the largest packet that the tunnel's interface takes."""
    run(["ip", "link", "set", TUNNEL_INTERFACE, "mtu", str(mtu_bytes)])


def cap_inner(size_bytes: int, means: Means) -> int:
    """Return the largest inner packet that can be carried at all: user-space ESP has a limit of its own."""
    return min(size_bytes, USERSPACE_INNER_BYTES) if means == "userspace" else size_bytes


def _reason(error: DaemonError, keys: tuple[str, ...] = ()) -> str:
    text = str(error).rsplit("exit ", 1)[-1]
    for key in keys:
        text = text.replace(key, "KEY")
    return " ".join(text.split(":", 1)[-1].split())
