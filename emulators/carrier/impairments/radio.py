"""What is wrong on the air, and with who may use it: no cell, a poor one, another's, a full one. Layer: stand-in.

A cell out of reach is an nft table on the radio link: nothing crosses, either way, signalling or packets. In all else
the core does what a real one would: it refuses in the words of the standard, or sends the device away.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.carrier.machine import EMM_NO_ROAMING, CellFigures, Congestion
from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

if TYPE_CHECKING:
    from emulators.carrier.machine import Carrier, Output
    from emulators.carrier.main import CarrierProcess

TABLE = "coverage"


def render_silence() -> str:
    """Return the nft script of a cell that is out of reach."""
    return (
        f"table inet {TABLE} {{\n"
        "  chain arriving {\n"
        "    type filter hook input priority -400; policy accept;\n"
        '    iifname "radio" drop\n'
        "  }\n"
        "  chain going {\n"
        "    type filter hook output priority -400; policy accept;\n"
        '    oifname "radio" drop\n'
        "  }\n"
        "}\n"
    )


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def lose_coverage() -> Mend:
        """The cell is out of reach."""
        run(["nft", "-f", "-"], text=render_silence())
        return lambda: run(["nft", "delete", "table", "inet", TABLE])

    def weaken(**figures: float) -> Mend:
        """The cell is heard with other figures (rsrp_dbm, rsrq_db, sinr_db), and carries less (those of the link)."""
        heard = CellFigures(*(float(figures.pop(name)) for name in ("rsrp_dbm", "rsrq_db", "sinr_db")))
        before: list[CellFigures] = []

        def lower(core: Carrier) -> list[Output]:
            before.append(core.cell)
            return core.set_cell(heard)

        carrier.order(lower)
        put_back = carrier.change_link(**figures)

        def raise_again() -> None:
            put_back()
            carrier.order(lambda core: core.set_cell(before[0]))

        return raise_again

    return {"lose_coverage": lose_coverage, "weaken": weaken, **_offer_visit(carrier), **_offer_core(carrier)}


def _offer_visit(carrier: CarrierProcess) -> dict[str, Impair]:
    def visit(plmn: str, cause: float) -> Mend:
        """The only cell is another network's, with which nothing is agreed."""
        take_back = carrier.change_subscribers(lambda s: replace(s, roaming_allowed=False))
        before: list[str] = []

        def leave_home(core: Carrier) -> list[Output]:
            before.append(core.plmn)
            core.plmn, core.no_roaming_cause = plmn, int(cause)
            return []

        def come_home(core: Carrier) -> list[Output]:
            core.plmn, core.no_roaming_cause = before[0], EMM_NO_ROAMING
            return []

        carrier.order(leave_home)

        def end() -> None:
            take_back()
            carrier.order(come_home)

        return end

    return {"visit": visit}


def _offer_core(carrier: CarrierProcess) -> dict[str, Impair]:
    def congest(at: str, backoff_s: float) -> Mend:
        """The network is full: it refuses, and says for how long."""

        def set_congestion(core: Carrier, congestion: Congestion | None) -> list[Output]:
            core.congestion = congestion
            return []

        carrier.order(lambda core: set_congestion(core, Congestion(at, backoff_s)))
        return lambda: carrier.order(lambda core: set_congestion(core, None))

    def send_away(period_s: float) -> Mend:
        """The network sends the device away every so often, and takes it back at once."""
        stop = threading.Event()

        def go_on() -> None:
            while not stop.wait(period_s):
                carrier.order(lambda core: core.detach())

        thread = threading.Thread(target=go_on, name="send-away", daemon=True)
        thread.start()

        def end() -> None:
            stop.set()
            thread.join()

        return end

    return {"congest": congest, "send_away": send_away}
