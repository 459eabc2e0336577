"""Somebody on the path drops UDP to and from a port: a firewall, a provider, a border. Layer: stand-in, I/O (nft).

Nothing is answered for what is dropped: that is how most filters are set (common practice, no source). The table is
the filter's own, and comes before the chains of others.
"""

from __future__ import annotations

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run


def build_filters() -> dict[str, Impair]:
    """Return the impairment ``drop_udp``."""

    def drop_udp(port: float) -> Mend:
        """Let no UDP packet to or from a port pass on its way through this node."""
        number = int(port)
        run(["nft", "-f", "-"], text=render_drop(number))
        return lambda: run(["nft", "delete", "table", "inet", name_table(number)])

    return {"drop_udp": drop_udp}


def name_table(port: int) -> str:
    """Return the name of the filter's table."""
    return f"filtered_udp_{port}"


def render_drop(port: int) -> str:
    """Return the nft script: what is carried on is dropped, what is the node's own is not."""
    return (
        f"table inet {name_table(port)} {{\n"
        "  chain carried {\n"
        "    type filter hook forward priority -400; policy accept;\n"
        f"    udp dport {port} drop\n"
        f"    udp sport {port} drop\n"
        "  }\n"
        "}\n"
    )
