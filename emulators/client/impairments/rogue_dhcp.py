"""Somebody plugged a small switch into the port, and a box that hands out addresses into that. Layer: stand-in, I/O.

On the switch there is a neighbour, too, that takes what the box offers: all of this is broadcast, so the branch's port
gets it. The box answers whoever else asks within its hearing.
"""

from __future__ import annotations

import socket
import threading
from typing import TYPE_CHECKING

from emulators.client.dhcp_frames import ACK, DISCOVER, OFFER, Server, build_request, parse_asked
from emulators.client.frames import build_discover
from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.client.main import ClientContext

BOX = Server(bytes.fromhex("00005e0053e1"), "192.0.2.1")  # MACs and addresses for documentation: RFC 7042, RFC 5737
NEIGHBOUR, NEIGHBOUR_GETS, OTHERS_GET = bytes.fromhex("00005e0053e2"), "192.0.2.50", "192.0.2.66"
AGAIN_S = 5.0  # between two turns of the neighbour: somebody who tries one device after another. Our choice
POLL_S = 0.1
_ETH_P_ALL = 0x0003  # linux/if_ether.h
_OUTGOING = 4  # PACKET_OUTGOING, linux/if_packet.h


def offer(context: ClientContext) -> dict[str, Impair]:
    def rogue_dhcp() -> Mend:
        return Switch(str(context.seed["links"][0]["name"])).start().stop

    return {"rogue_dhcp": rogue_dhcp}


class Switch:
    """The switch with the box and the neighbour on it, as the port sees them."""

    def __init__(self, link: str) -> None:
        self._wire = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ETH_P_ALL))
        self._wire.bind((link, _ETH_P_ALL))
        self._wire.settimeout(POLL_S)
        self._stopping = threading.Event()
        self._threads = [threading.Thread(target=t, daemon=True) for t in (self._serve, self._use)]

    def start(self) -> Switch:
        for thread in self._threads:
            thread.start()
        return self

    def stop(self) -> None:
        self._stopping.set()
        for thread in self._threads:
            thread.join()
        self._wire.close()

    def _serve(self) -> None:
        while not self._stopping.is_set():
            try:
                frame, address = self._wire.recvfrom(1514)
            except TimeoutError:
                continue
            asked = None if address[2] == _OUTGOING else parse_asked(frame)
            if asked is not None and asked.mac != NEIGHBOUR:
                kind = OFFER if asked.kind == DISCOVER else ACK
                self._wire.send(BOX.build_answer(kind, asked.mac, asked.transaction, OTHERS_GET))

    def _use(self) -> None:
        transaction = 1
        while True:
            self._wire.send(build_discover(NEIGHBOUR, transaction))
            self._wire.send(BOX.build_answer(OFFER, NEIGHBOUR, transaction, NEIGHBOUR_GETS))
            self._wire.send(build_request(NEIGHBOUR, transaction, NEIGHBOUR_GETS, BOX.address))
            self._wire.send(BOX.build_answer(ACK, NEIGHBOUR, transaction, NEIGHBOUR_GETS))
            transaction += 1
            if self._stopping.wait(AGAIN_S):
                return
