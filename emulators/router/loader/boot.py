"""Starting, and starting over: modem, slot, runtime, and what ends them. Layer: stand-in, I/O.

A device is staged once: where flash is blank the loader waits for a seed (secret file or stdin) and writes it to flash;
where it is not, it starts from flash at once and a seed that still comes is ignored. Only this thread starts and reaps
processes and changes slots.

Not here: slot choice (machine.py), images (slots.py), flash (flash.py), processes and clock (board.py).
"""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulators.common.firmware import FirmwareError, Manifest, unpack
from emulators.common.links import settle_links
from emulators.common.service import SEED_FILE, Console, log
from emulators.router.hardware.facts import Hardware
from emulators.router.hardware.identity import settle_identity
from emulators.router.hardware.impairments.clock import FACT as CLOCK_FACT
from emulators.router.hardware.staging import settle_staging
from emulators.router.loader import board, machine
from emulators.router.loader.flash import Flash
from emulators.router.loader.machine import Cause, Choice, Slot
from emulators.router.loader.slots import Slots

FIRMWARE = Path("/run/fw")
MODEM_SETTINGS = Path("/run/modem/settings.json")
MODEM = "emulators.router.modem.main"
MODEM_RESTART_S = 1.0


@dataclass(slots=True)
class Request:
    """One request of the runtime, waiting for the main thread's answer."""

    body: dict[str, Any]
    line: socket.socket


@dataclass(frozen=True, slots=True)
class Running:
    slot: Slot
    trial: bool
    manifest: Manifest
    process: int


class Loader:
    """Everything between power-on and power-off."""

    def __init__(self, console: Console, flash: Flash, inbox: queue.SimpleQueue[Any]) -> None:
        self._console, self._flash, self._inbox = console, flash, inbox
        self._running: Running | None = None
        self._modem = 0
        self._deadline_s: float | None = None
        self._crashes = 0

    def run(self) -> None:
        """Boot, and boot again whenever a reboot is due. Never returns."""
        seed = self._load_or_stage()
        settle_identity(self._flash.root)
        settle_staging(self._flash.root)
        device = self._flash.load_json("device.json")
        self._label = {key: device["identity"][key] for key in ("serial", "mac")}  # as printed on the case
        hardware, self._waits = seed["settings"]["hardware"], seed["settings"]["waits"]
        key = device["trust"]["firmware_public_key_pem"]
        self._slots = Slots(self._console, self._flash, hardware, self._waits, key)
        shown = Hardware(self._flash.root).load().get(CLOCK_FACT, hardware["clock_at_power_on"])
        board.set_clock(board.CLOCK_FILE, shown)
        cause: Cause = "power"
        while True:
            macs = settle_links(seed)
            # the engine's nominal address is gone now: where it chose the MAC, only that finds the link again
            seed["links"] = [{**link, "mac": macs[link["name"]]} for link in seed["links"]]
            if cause == "power":
                self._console.emit("node.ready")
            self._boot(seed, cause)
            self._watch()
            self._running = None
            board.end_processes()
            while not self._inbox.empty():  # what the dead runtime still asked for must not reach its successor
                self._inbox.get()
            board.wipe_memory()
            board.wipe_kernel()
            cause = "reboot"

    def _load_or_stage(self) -> dict[str, Any]:
        if not self._flash.is_staged():
            self._flash.stage(self._wait_seed())
        return self._flash.load_json("board.json")

    def _wait_seed(self) -> dict[str, Any]:
        path = Path(os.environ.get("BENCH_SEED", str(SEED_FILE)))
        if path.exists():
            seed: dict[str, Any] = json.loads(path.read_bytes())
            return seed
        while True:
            item = self._inbox.get()
            if item == "stdin closed":
                raise EOFError(f"flash is blank, and there is no seed: neither {path} nor a line on stdin")
            if isinstance(item, dict):
                return item

    def _boot(self, seed: dict[str, Any], cause: Cause) -> None:
        state = self._slots.begin_boot()
        self._console.emit("boot.started", boot_count=state.boot_count, cause=cause, label=self._label)
        MODEM_SETTINGS.parent.mkdir(exist_ok=True)
        MODEM_SETTINGS.write_text(json.dumps({"node": seed["node"], **seed["settings"]}))
        self._start_modem()
        time.sleep(self._waits["boot_s"])  # the board takes as long as that to start
        self._start_runtime(*self._slots.choose(state))

    def _start_modem(self) -> None:
        self._modem = _start([sys.executable, "-m", MODEM], dict(os.environ))

    def _start_runtime(self, choice: Choice, image: bytes, manifest: Manifest) -> None:
        folder = FIRMWARE / choice.slot
        for name, content in unpack(image, manifest).items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        if not board.CLOCK_SHIM.exists():
            raise FileNotFoundError(f"{board.CLOCK_SHIM}: the device's own clock needs it; build the image")
        environment = {
            **os.environ,
            "PYTHONPATH": f"{folder}:{os.environ.get('PYTHONPATH', '')}",
            "LD_PRELOAD": str(board.CLOCK_SHIM),
            "BENCH_CLOCK_FILE": str(board.CLOCK_FILE),
        }
        process = _start([sys.executable, "-m", manifest.entry], environment)
        self._running = Running(choice.slot, choice.trial, manifest, process)
        self._deadline_s = time.monotonic() + self._waits["trial_s"] if choice.trial else None
        state = choice.state
        self._console.emit(
            "slot.started", slot=choice.slot, release=manifest.release, boot_count=state.boot_count, trial=choice.trial
        )

    def _watch(self) -> None:
        """Serve the queue until a reboot is due."""
        while True:
            wait_s = None if self._deadline_s is None else max(0.0, self._deadline_s - time.monotonic())
            try:
                item = self._inbox.get(timeout=wait_s)
            except queue.Empty:
                self._fail_trial(f"not confirmed within {self._waits['trial_s']:g} s")
                return
            if isinstance(item, Request):
                if self._answer(item):
                    return
            elif item == "child" and self._on_children(board.reap()):
                return
            elif isinstance(item, dict):
                log("a seed came, but the device is staged already: ignored")

    def _on_children(self, ended: dict[int, int]) -> bool:
        if self._running and self._running.process in ended:
            code = ended[self._running.process]
            self._console.emit("runtime.exited", code=code)
            if self._running.trial:
                self._fail_trial(f"the runtime ended with code {code}")
            self._crashes += 1
            time.sleep(machine.find_restart_delay(self._crashes))  # one that crashes on and on gets no busier
            return True
        if self._modem in ended:
            log(f"modem ended with code {ended[self._modem]}; starting it again")
            time.sleep(MODEM_RESTART_S)  # a modem takes a while to start; no spinning where it ends at once
            self._start_modem()
        return False

    def _fail_trial(self, reason: str) -> None:
        self._deadline_s = None
        self._slots.fail_trial(reason)

    def _answer(self, request: Request) -> bool:
        """Answer one request. Returns whether it asks for a reboot."""
        do = str(request.body.get("do"))
        try:
            answer = self._do(do, request.body)
        except (FirmwareError, machine.LoaderError, OSError, KeyError) as error:
            answer = {"error": f"{type(error).__name__}: {error}", "reason": getattr(error, "reason", None)}
        try:
            request.line.sendall(json.dumps(answer).encode() + b"\n")
        except OSError as error:
            log(f"control: the runtime is gone before its answer: {error}")
        request.line.close()
        return do == "reboot" and "error" not in answer

    def _do(self, do: str, body: dict[str, Any]) -> dict[str, Any]:
        running = self._running
        if running is None:
            raise machine.LoaderError("nothing is running")
        if do == "status":
            manifest = running.manifest
            state = self._flash.load_state()
            facts = {"slot": running.slot, "trial": state.candidate == running.slot, "boot_count": state.boot_count}
            known = {"release": manifest.release, "os_name": manifest.os_name, "features": list(manifest.features)}
            return {**facts, **known}
        if do == "confirm":
            return self._confirm(running)
        if do == "install":
            return self._slots.install(running.slot, Path(body["path"]))
        if do == "may_try":
            return self._slots.find_rest_s(str(body["sha256"]))
        if do == "reset_modem":
            return self._reset_modem(str(body.get("reason")))
        if do == "reboot":
            log(f"reboot: {body.get('reason')}")
            self._crashes = 0
            return {}
        raise machine.LoaderError(f"no such request: {do}")

    def _reset_modem(self, reason: str) -> dict[str, Any]:
        """Pull the modem's reset line: it loses all that it had in memory, and starts anew."""
        self._console.emit("modem.reset", reason=reason)
        for name in ("at", "at2"):
            (MODEM_SETTINGS.parent / name).unlink(missing_ok=True)
        os.kill(self._modem, signal.SIGKILL)
        return {}

    def _confirm(self, running: Running) -> dict[str, Any]:
        self._deadline_s = None
        self._crashes = 0
        if running.trial:
            self._running = Running(running.slot, False, running.manifest, running.process)
        self._slots.confirm(running.slot, running.manifest.release)
        return {}


def _start(command: list[str], environment: dict[str, str]) -> int:
    """Start a process in a session of its own. Its end is seen by `board.reap`, never by Popen."""
    started = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL, start_new_session=True)
    started.returncode = 0  # so that Popen's own tidying never waits for it
    return started.pid
