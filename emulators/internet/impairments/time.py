"""Time servers of no use: filtered on the way, refused, or not synchronised themselves. Layer: stand-in, I/O."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run
from emulators.internet.daemons import CHRONY_FILE, build_chrony

if TYPE_CHECKING:
    from emulators.internet.main import InternetContext

TABLE = "no_time"
VERDICTS = {"dropped": "drop", "refused": "reject with icmp type port-unreachable"}  # RFC 792; RFC 1122 section 4.1.3.1
SYNCHRONISED = "local stratum 1\n"


def render_filter(how: str) -> str:
    """Return the nft script that keeps questions for the time away (UDP port 123: RFC 5905 section 7.2)."""
    return (
        f"table ip {TABLE} {{\n"
        "  chain arriving {\n"
        "    type filter hook input priority 0; policy accept;\n"
        f"    udp dport 123 {VERDICTS[how]}\n"
        "  }\n"
        "}\n"
    )


def offer(bench: InternetContext) -> dict[str, Impair]:
    def put_chrony(text: str) -> None:
        Path(CHRONY_FILE).write_text(text, encoding="utf-8")
        bench.clock.signal(signal.SIGTERM)  # its keeper starts it again, with what it reads now

    def lose_time(how: str) -> Mend:
        """Give nobody the time. ``unsynchronised``: the servers answer that they have none themselves (RFC 5905 section
        7.3: leap indicator 3). Raises: KeyError."""
        if how == "unsynchronised":
            put_chrony(build_chrony().replace(SYNCHRONISED, ""))
            return lambda: put_chrony(build_chrony())
        run(["nft", "-f", "-"], text=render_filter(how))
        return lambda: run(["nft", "delete", "table", "ip", TABLE])

    return {"lose_time": lose_time}
