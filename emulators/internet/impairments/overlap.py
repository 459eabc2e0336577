"""The fixed line's provider hands out addresses of a network that the branch uses itself. Layer: stand-in, I/O."""

from __future__ import annotations

import signal
from collections.abc import Sequence
from dataclasses import replace
from ipaddress import IPv4Network
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.internet.main import InternetContext

TABLE, LINK = "overlap", "fixed"
HANDED_OUT = ("--dhcp-range=", "--dhcp-option=option:router,", "--dhcp-option=option:dns-server,")
LEASE_S = 120  # dnsmasq(8): the shortest; renewed after half of it (RFC 2131 section 4.4.5)


def change_line(argv: Sequence[str], network: IPv4Network) -> tuple[str, ...]:
    """Return dnsmasq's command line with the last addresses of a network to lease, and its last host as the provider's
    own. It listens where it did, too."""
    *_, first, last, own = network.hosts()
    kept = [argument for argument in argv if not argument.startswith(HANDED_OUT)]
    told = [f"--dhcp-option=option:router,{own}", f"--dhcp-option=option:dns-server,{own}"]
    return (*kept, f"--dhcp-range={first},{last},{network.netmask},{LEASE_S}", *told, f"--listen-address={own}")


def render_translation(network: IPv4Network) -> str:
    """Return the nft script: nobody else knows a way to that network, so the provider translates."""
    return (
        f"table ip {TABLE} {{\n"
        "  chain out {\n"
        "    type nat hook postrouting priority srcnat; policy accept;\n"
        f'    oifname "inet" ip saddr {network} masquerade\n'
        "  }\n"
        "}\n"
    )


def offer(bench: InternetContext) -> dict[str, Impair]:
    keeper = bench.names

    def lease_from(network: str) -> Mend:
        """Lease addresses of that network from now on."""
        line, whole = IPv4Network(network), keeper.daemon
        own = f"{list(line.hosts())[-1]}/{line.prefixlen}"
        run(["ip", "addr", "add", own, "dev", LINK])
        run(["nft", "-f", "-"], text=render_translation(line))

        def put(argv: Sequence[str]) -> None:
            keeper.daemon = replace(whole, argv=tuple(argv))
            keeper.signal(signal.SIGTERM)

        put(change_line(whole.argv, line))

        def take_back() -> None:
            put(whole.argv)
            run(["nft", "delete", "table", "ip", TABLE])
            run(["ip", "addr", "del", own, "dev", LINK])

        return take_back

    return {"lease_from": lease_from}
