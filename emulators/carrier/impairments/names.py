"""What is wrong with the carrier's resolver. Layer: stand-in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.carrier.portal import Portal
from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess

TABLE = "mute_names"
HTTP_PORT, HTTPS_PORT = 80, 443


def render_mute(gateway: str) -> str:
    """Return the nft script of a resolver that never answers (a machine that hangs: no ICMP either)."""
    match = f'iifname "gtp0" ip daddr {gateway}'
    return (
        f"table ip {TABLE} {{\n"
        "  chain arriving {\n"
        "    type filter hook input priority -10; policy accept;\n"
        f"    {match} udp dport 53 drop\n"
        f"    {match} tcp dport 53 drop\n"
        "  }\n"
        "}\n"
    )


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    gateway = carrier.gateway

    def hush_names(how: str) -> Mend:
        """The resolver is ``silent``, or ``refuses`` every question (RFC 1035 section 4.1.1, RCODE 5)."""
        if how == "refuses":
            gateway.answer_names(())  # without an upstream, dnsmasq refuses what it cannot know
            return lambda: gateway.answer_names(None)
        run(["nft", "-f", "-"], text=render_mute(gateway.settings.gateway))
        return lambda: run(["nft", "delete", "table", "ip", TABLE])

    def answer_with_portal() -> Mend:
        """Every name leads to the carrier's portal."""
        own = gateway.settings.gateway
        portal = Portal(own, HTTP_PORT, HTTPS_PORT)
        gateway.answer_names((f"--address=/#/{own}", "--local-ttl=1"))

        def take_back() -> None:
            gateway.answer_names(None)
            portal.close()

        return take_back

    return {"hush_names": hush_names, "answer_with_portal": answer_with_portal}
