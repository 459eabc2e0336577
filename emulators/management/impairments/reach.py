"""The server's ports refused: nobody listens, or a firewall lets nobody in. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext

TABLE = "refused"
VERDICTS = {
    "nobody_listens": "reject with tcp reset",  # RFC 9293 section 3.5.2
    "prohibited": "reject with icmp type admin-prohibited",  # RFC 1812 section 5.2.7.1: type 3, code 13
}


def render_refusal(ports: Sequence[int], how: str) -> str:
    """Return the nft script that refuses TCP to the ports. Raises: KeyError."""
    listed = ", ".join(str(port) for port in ports)
    return (
        f"table ip {TABLE} {{\n"
        "  chain arriving {\n"
        "    type filter hook input priority 0; policy accept;\n"
        f"    tcp dport {{ {listed} }} {VERDICTS[how]}\n"
        "  }\n"
        "}\n"
    )


def offer(bench: ManagementContext) -> dict[str, Impair]:
    def refuse(how: str) -> Mend:
        """Refuse whoever comes for RESTCONF."""
        run(["nft", "-f", "-"], text=render_refusal(bench.seed["settings"]["ports"], how))
        return lambda: run(["nft", "delete", "table", "ip", TABLE])

    return {"refuse": refuse}
