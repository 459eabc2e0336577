"""The inspector's process: one netfilter queue, a verdict on each packet. Layer: router firmware, I/O (netlink, nft).

Its settings are the file of its first argument; when it has taken the queue it makes the file of its second. It writes
one line a threat, ``threat `` and JSON, for whoever started it. While it is away, netfilter drops what is queued.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

from .answers import read_answer
from .machine import Address, Effect, Inspector, Settings, Threat, Verdict
from .marks import QUEUE
from .nfqueue import NETLINK_NETFILTER, build_setup, build_verdict, check_answer, parse_messages

BUFFER_BYTES, READ_BYTES = 8 << 20, 1 << 20
TICK_S = 0.5
TABLE = "inet inspection"
_SO_RCVBUFFORCE, _SOL_NETLINK, _NO_ENOBUFS = 33, 270, 5  # asm-generic/socket.h, linux/netlink.h
_NFT_S = 5.0


def main() -> None:
    """Run until stopped."""
    settings, ready = load_settings(Path(sys.argv[1])), Path(sys.argv[2])
    line = open_queue()
    ready.touch()
    inspector = Inspector(settings, read_answer)
    looked_s, parent = time.monotonic(), os.getppid()
    while os.getppid() == parent:  # the queue has one owner: nobody's inspector would keep the next one from it
        with suppress(TimeoutError):
            for queued in parse_messages(line.recv(READ_BYTES)):
                carry_out(line, inspector.on_packet(queued, time.monotonic()))
        if time.monotonic() - looked_s >= TICK_S:
            looked_s = time.monotonic()
            carry_out(line, inspector.on_time(looked_s))


def load_settings(path: Path) -> Settings:
    """Read the settings' file. Raises: OSError, ValueError, KeyError."""
    given = json.loads(path.read_text(encoding="utf-8"))
    return Settings(
        {int(port): tuple(names) for port, names in given["names"].items()},
        {target: tuple(names) for target, names in given["answers"].items()},
        tuple(given["signatures"]),
        given["action"],
    )


def open_queue() -> socket.socket:
    """Take the queue. Raises: OSError (QueueError) where the kernel refuses."""
    line = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER)
    line.bind((0, 0))
    line.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, BUFFER_BYTES)
    line.setsockopt(_SOL_NETLINK, _NO_ENOBUFS, 1)  # packets that find no room are dropped, which is what they should be
    line.settimeout(TICK_S)
    for request in build_setup(QUEUE):
        line.send(request)
        check_answer(line.recv(READ_BYTES))
    return line


def carry_out(line: socket.socket, effects: list[Effect]) -> None:
    """Do what follows of a packet, in order."""
    for effect in effects:
        match effect:
            case Verdict():
                line.send(build_verdict(QUEUE, effect.number, effect.accept, effect.mark))
            case Threat():
                sys.stdout.write(f"threat {json.dumps(asdict(effect))}\n")
                sys.stdout.flush()
            case Address():
                _add_address(effect)


def _add_address(found: Address) -> None:
    command = f"add element {TABLE} {found.target} {{ {found.address} }}\n"
    with suppress(subprocess.TimeoutExpired):  # the answer goes out all the same; the address stays shut
        done = subprocess.run(
            ["nft", "-f", "-"], input=command, capture_output=True, text=True, check=False, timeout=_NFT_S
        )
        if done.returncode:
            sys.stderr.write(f"{command.strip()}: {done.stderr.strip()}\n")


if __name__ == "__main__":
    main()
