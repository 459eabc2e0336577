"""What is wrong with the carrier's addresses and their translation. Layer: stand-in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.carrier.gateway import GatewaySettings
    from emulators.carrier.main import CarrierProcess

FORGETFUL, OVERLAP = "forgetful", "overlap"


def render_forgetful(settings: GatewaySettings, idle_s: int) -> str:
    """Return the nft script of a NAT that keeps UDP mappings for a short while only, and makes each at another port.

    Its chain comes after the gateway's own: the last time that is set for a new mapping counts. Its translation comes
    before: the first that matches counts.
    """
    return (
        f"table ip {FORGETFUL} {{\n"
        "  ct timeout brief {\n"
        "    protocol udp\n"
        "    l3proto ip\n"
        f"    policy = {{ unreplied: {idle_s}, replied: {idle_s} }}\n"
        "  }\n"
        "  chain times {\n"
        "    type filter hook prerouting priority 10; policy accept;\n"
        '    ip protocol udp ct timeout set "brief"\n'
        "  }\n"
        "  chain elsewhere {\n"
        "    type nat hook postrouting priority 90; policy accept;\n"
        f'    oifname "inet" ip saddr {settings.pool} ip protocol udp snat to {settings.nat_address} random\n'
        "  }\n"
        "}\n"
    )


def render_overlap(settings: GatewaySettings, address: str) -> str:
    """Return the nft script that translates an address outside the pool as the pool's own."""
    return (
        f"table ip {OVERLAP} {{\n"
        "  chain out {\n"
        "    type nat hook postrouting priority 90; policy accept;\n"
        f'    oifname "inet" ip saddr {address} snat to {settings.nat_address}\n'
        "  }\n"
        "}\n"
    )


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    gateway = carrier.gateway

    def forget_mappings(idle_s: float) -> Mend:
        """The NAT was exchanged for one that forgets idle UDP mappings soon, and all that it knew are gone."""
        run(["nft", "-f", "-"], text=render_forgetful(gateway.settings, int(idle_s)))
        gateway.forget_mappings()

        def take_back() -> None:
            run(["nft", "delete", "table", "ip", FORGETFUL])
            gateway.forget_mappings()  # what it made goes with it: each has its short time for good

        return take_back

    def assign(address: str) -> Mend:
        """Devices get this address, whatever else it may be, from their next attach on."""
        run(["nft", "-f", "-"], text=render_overlap(gateway.settings, address))
        rule = f'insert rule ip carrier pass iifname "gtp0" oifname "inet" ip saddr {address} accept\n'
        handle = run(["nft", "--echo", "--handle", "-f", "-"], text=rule).rpartition("handle ")[2].strip()
        give_back = carrier.assign(address)

        def take_back() -> None:
            give_back()
            run(["nft", "delete", "table", "ip", OVERLAP])
            run(["nft", "delete", "rule", "ip", "carrier", "pass", "handle", handle])

        return take_back

    return {"forget_mappings": forget_mappings, "assign": assign}
