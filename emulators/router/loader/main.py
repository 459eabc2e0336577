"""The router's boot loader, PID 1 of its container: its lines to the outside, and its end. Layer: stand-in, thin main.

stdin, the runtime's requests and the ends of processes fill one queue, which the loader's thread alone reads.

Not here: starting and starting over (boot.py).
"""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import sys
import threading
import traceback
from pathlib import Path
from typing import Any

from emulators.common.control import SOCKET, read_line
from emulators.common.impair import load_impairments
from emulators.common.service import Console, log, start_command
from emulators.common.verbs import standard_verbs
from emulators.router.hardware.facts import Hardware
from emulators.router.loader import board
from emulators.router.loader.boot import Loader, Request
from emulators.router.loader.flash import Flash
from emulators.router.modem.card import list_cards

FLASH = Path("/flash")


class PowerOff(BaseException):
    """The engine asked the container to end (SIGTERM): not an error, and nothing may catch it on its way."""


def _read_stdin(console: Console, inbox: queue.SimpleQueue[Any]) -> None:
    impairments = load_impairments("emulators.router.hardware.impairments", Hardware(FLASH))
    handlers = {**standard_verbs(), **impairments.verbs(), "cards": lambda: {"cards": list_cards(FLASH)}}
    for line in sys.stdin.buffer:
        try:
            item = json.loads(line) if line.strip() else {}
        except ValueError:
            item = {}
        if isinstance(item, dict) and "settings" in item:
            inbox.put(item)
        else:
            start_command(console, handlers, line)
    inbox.put("stdin closed")


def _serve_control(listener: socket.socket, inbox: queue.SimpleQueue[Any]) -> None:
    while True:
        line, _ = listener.accept()
        line.settimeout(5.0)
        try:
            body = json.loads(read_line(line))
        except (OSError, ValueError) as error:
            log(f"control: expected one JSON line, saw {type(error).__name__}: {error}")
            line.close()
            continue
        inbox.put(Request(body if isinstance(body, dict) else {}, line))


def _power_off(*_: object) -> None:
    raise PowerOff


def main() -> None:
    """Run the loader until power goes."""
    signal.signal(signal.SIGTERM, _power_off)
    console = Console("router", "loader")
    inbox: queue.SimpleQueue[Any] = queue.SimpleQueue()
    signal.signal(signal.SIGCHLD, lambda *_: inbox.put("child"))
    try:
        board.adopt_orphans()
        SOCKET.unlink(missing_ok=True)
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
            listener.bind(str(SOCKET))
            listener.listen()
            threading.Thread(target=_read_stdin, args=(console, inbox), daemon=True).start()
            threading.Thread(target=_serve_control, args=(listener, inbox), daemon=True).start()
            Loader(console, Flash(FLASH), inbox).run()
    except PowerOff:
        board.end_processes(grace_s=0.3)
        os._exit(0)  # threads wait on stdin and on the socket: nothing of theirs is worth waiting for
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        log(traceback.format_exc())
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        os._exit(1)  # an orderly end would wait for, and crash over, the thread that reads stdin


if __name__ == "__main__":
    main()
