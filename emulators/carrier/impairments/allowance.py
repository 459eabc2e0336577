"""What a carrier does to a subscription whose allowance is used up. Layer: stand-in.

Web traffic is led to a portal and all else is stopped, as with the redirection of TS 29.212 clause 4.5.2.6 and RFC 8506
section 5.6 (Final-Unit-Action REDIRECT; both from memory). Names are still answered: the portal must be found.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.carrier.portal import Portal
from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess

TABLE = "allowance"
HTTP_PORT, HTTPS_PORT = 8080, 8443


def render_stop() -> str:
    """Return the nft script: connections that stand are stopped as new ones are."""
    return (
        f"table ip {TABLE} {{\n"
        "  chain divert {\n"
        "    type nat hook prerouting priority dstnat; policy accept;\n"
        f'    iifname "gtp0" tcp dport 80 redirect to :{HTTP_PORT}\n'
        f'    iifname "gtp0" tcp dport 443 redirect to :{HTTPS_PORT}\n'
        "  }\n"
        "  chain stop {\n"
        "    type filter hook forward priority -10; policy accept;\n"
        '    iifname "gtp0" drop\n'
        '    oifname "gtp0" drop\n'
        "  }\n"
        "}\n"
    )


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def use_up_allowance() -> Mend:
        """The allowance is used up from now on."""
        portal = Portal(carrier.gateway.settings.gateway, HTTP_PORT, HTTPS_PORT)
        run(["nft", "-f", "-"], text=render_stop())

        def top_up() -> None:
            run(["nft", "delete", "table", "ip", TABLE])
            portal.close()

        return top_up

    return {"use_up_allowance": use_up_allowance}
