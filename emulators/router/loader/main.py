"""The router's boot loader, PID 1 of its container: choose a slot, verify it, start it, and start over on reboot.

Layer: stand-in, thin main. A device is staged once: where flash is blank the loader waits for a seed (secret file or
stdin) and writes it to flash; where it is not, it starts from flash at once and a seed that still comes is ignored.
Only this thread starts and reaps processes and changes slots; stdin, the runtime's requests and signals fill one queue.

Not here: slot choice (machine.py), flash (flash.py), processes and clock (board.py).
"""

from __future__ import annotations

import hashlib
import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from emulators.common.control import SOCKET, read_line
from emulators.common.firmware import FirmwareError, Manifest, unpack, verify
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.service import SEED_FILE, Console, log, start_command
from emulators.common.verbs import standard_verbs
from emulators.router.hardware.facts import Hardware
from emulators.router.loader import board, machine
from emulators.router.loader.flash import Flash
from emulators.router.loader.machine import Cause, Slot

FLASH = Path("/flash")
FIRMWARE = Path("/run/fw")
MODEM_SETTINGS = Path("/run/modem/settings.json")
MODEM = "emulators.router.modem.main"
MODEM_RESTART_S = 1.0


class PowerOff(BaseException):
    """The engine asked the container to end (SIGTERM): not an error, and nothing may catch it on its way."""


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

    def __init__(self, console: Console, flash: Flash, inbox: queue.SimpleQueue[Any], trial_s: float) -> None:
        self._console, self._flash, self._inbox, self._trial_s = console, flash, inbox, trial_s
        self._running: Running | None = None
        self._modem = 0
        self._deadline_s: float | None = None
        self._crashes = 0

    def run(self) -> None:
        """Boot, and boot again whenever a reboot is due. Never returns."""
        seed = self._load_or_stage()
        device = self._flash.load_json("device.json")
        self._trust = device["trust"]
        self._label = {key: device["identity"][key] for key in ("serial", "mac")}  # as printed on the case
        self._hardware, self._waits = seed["settings"]["hardware"], seed["settings"]["waits"]
        board.set_clock(board.CLOCK_FILE, self._hardware["clock_at_power_on"])
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
        state = machine.count_boot(self._flash.load_state())
        self._flash.save_state(state)
        self._console.emit("boot.started", boot_count=state.boot_count, cause=cause, label=self._label)
        MODEM_SETTINGS.parent.mkdir(exist_ok=True)
        MODEM_SETTINGS.write_text(json.dumps({"node": seed["node"], **seed["settings"]}))
        self._start_modem()
        time.sleep(self._waits["boot_s"])
        images: dict[Slot, tuple[bytes, Manifest]] = {}
        for slot in self._slots_to_check(state):
            self._check_slot(slot, images)
            if slot in images:
                break
        choice = machine.choose(state, {slot: slot in images for slot in ("a", "b")})
        self._flash.save_state(choice.state)
        if choice.fell_back:
            self._console.emit("slot.fell_back", **asdict(choice.fell_back))
        if choice.slot not in images:
            self._check_slot(choice.slot, images)
        self._start_runtime(choice, *images[choice.slot])

    @staticmethod
    def _slots_to_check(state: machine.SlotState) -> list[Slot]:
        order: list[Slot] = [state.good, machine.other(state.good)]
        if state.candidate is not None and state.trial_starts < machine.MAX_TRIAL_STARTS:
            order.reverse()
        return order

    def _check_slot(self, slot: Slot, images: dict[Slot, tuple[bytes, Manifest]]) -> None:
        image = self._flash.load_slot(slot)
        try:
            manifest = self._verify(image)
        except FirmwareError as error:
            self._console.emit("slot.rejected", slot=slot, reason=str(error))
            return
        images[slot] = (image, manifest)
        sha256 = hashlib.sha256(image).hexdigest()
        self._console.emit("slot.verified", slot=slot, release=manifest.release, sha256=sha256)

    def _verify(self, image: bytes) -> Manifest:
        limit = self._hardware["slot_bytes"]
        return verify(image, self._trust["firmware_public_key_pem"], self._hardware["name"], limit)

    def _start_modem(self) -> None:
        self._modem = _start([sys.executable, "-m", MODEM], dict(os.environ))

    def _start_runtime(self, choice: machine.Choice, image: bytes, manifest: Manifest) -> None:
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
        self._deadline_s = time.monotonic() + self._trial_s if choice.trial else None
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
                self._fail_trial(f"not confirmed within {self._trial_s:g} s")
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
            time.sleep(machine.find_restart_delay(self._crashes))
            return True
        if self._modem in ended:
            log(f"modem ended with code {ended[self._modem]}; starting it again")
            time.sleep(MODEM_RESTART_S)
            self._start_modem()
        return False

    def _fail_trial(self, reason: str) -> None:
        state = self._flash.load_state()
        self._deadline_s = None
        if state.candidate is not None:
            self._flash.save_state(machine.give_up(state))
            self._console.emit("slot.fell_back", from_slot=state.candidate, to_slot=state.good, reason=reason)

    def _answer(self, request: Request) -> bool:
        """Answer one request. Returns whether it asks for a reboot."""
        do = str(request.body.get("do"))
        try:
            answer = self._do(do, request.body)
        except (FirmwareError, machine.LoaderError, OSError, KeyError) as error:
            answer = {"error": f"{type(error).__name__}: {error}"}
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
            return self._install(running, Path(body["path"]))
        if do == "reboot":
            log(f"reboot: {body.get('reason')}")
            self._crashes = 0
            return {}
        raise machine.LoaderError(f"no such request: {do}")

    def _confirm(self, running: Running) -> dict[str, Any]:
        state = self._flash.load_state()
        confirmed = machine.confirm(state, running.slot)
        self._deadline_s = None
        self._crashes = 0
        if confirmed != state:
            self._flash.save_state(confirmed)
            self._running = Running(running.slot, False, running.manifest, running.process)
            self._console.emit("slot.confirmed", slot=running.slot, release=running.manifest.release)
        return {}

    def _install(self, running: Running, path: Path) -> dict[str, Any]:
        state = self._flash.load_state()
        target = machine.find_target(state, running.slot)
        if state.candidate == target:  # what lies there is about to go: it may no longer be tried
            state = machine.give_up(state)
            self._flash.save_state(state)
        image = path.read_bytes()
        manifest = self._verify(image)
        time.sleep(self._waits["flash_write_s"])
        self._flash.save_file(self._flash.slot_path(target), image)
        self._flash.save_state(machine.install(state, target))
        path.unlink(missing_ok=True)
        return {"slot": target, "release": manifest.release}


def _start(command: list[str], environment: dict[str, str]) -> int:
    """Start a process in a session of its own. Its end is seen by `board.reap`, never by Popen."""
    started = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL, start_new_session=True)
    started.returncode = 0  # so that Popen's own tidying never waits for it
    return started.pid


def _read_stdin(console: Console, inbox: queue.SimpleQueue[Any]) -> None:
    impairments = load_impairments("emulators.router.hardware.impairments", Hardware(FLASH))
    handlers = {**standard_verbs(), **impairments.verbs()}
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
            Loader(console, Flash(FLASH), inbox, machine.TRIAL_S).run()
    except PowerOff:
        board.end_processes(grace_s=0.3)
        os._exit(0)  # threads wait on stdin and on the socket: nothing of theirs is worth waiting for
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        log(traceback.format_exc())
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        os._exit(1)  # an orderly end would wait for, and crash over, the thread that reads stdin


if __name__ == "__main__":
    main()
