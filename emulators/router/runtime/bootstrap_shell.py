"""Carries out what the bootstrap machine asks for. Layer: runtime, I/O.

Not here: the order of things (bootstrap_machine.py), HTTP (bootstrap_http.py), what a configuration does (apply/).
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from emulators.common.control import ControlError, ask_loader
from emulators.common.device_config import digest_config, parse_config
from emulators.common.service import Console

from .bootstrap_effects import (
    Answer,
    Apply,
    Ask,
    Confirm,
    ConfirmSlot,
    Done,
    Effect,
    Failure,
    Fetch,
    Fetched,
    Install,
    Note,
    Now,
    Reboot,
    RollBack,
    Server,
    Sleep,
)
from .bootstrap_http import HttpClient
from .bootstrap_machine import Completed, Device, bootstrap

INCOMING = "incoming.img"
FLAG = "bootstrapped.json"
"""There once bootstrap is complete: the SZTP flag of RFC 8572 §5.1 is cleared. Holds the server and the digest."""
REBOOT_WAIT_S = 60.0  # how long the loader gets to end us


class Configurer(Protocol):
    """What the shell needs of apply.Applier, with the uplink of the moment already bound."""

    def apply(self, document: bytes) -> None:
        """Raises: Exception when it was not applied (then nothing of it is active)."""

    def confirm(self) -> None: ...

    def roll_back(self, reason: str) -> None: ...


class BootstrapShell:
    """`configurer` is None in a release that applies no configuration."""

    def __init__(
        self, console: Console, client: HttpClient, flash: Path, slot_bytes: int, configurer: Configurer | None
    ) -> None:
        self._console, self._client, self._flash = console, client, flash
        self._slot_bytes, self._configurer = slot_bytes, configurer
        self._digest: str | None = None
        self._uri, self._sha256 = "", b""
        self._refused: dict[bytes, Failure] = {}
        """Images, by SHA-256, that were whole and yet may not be started: fetching them again would change nothing."""

    def run(self, device: Device, servers: tuple[Server, ...], most_rounds: int | None = None) -> Completed | None:
        """Run bootstrap to its end; None where `most_rounds` did not bring it there."""
        steps = bootstrap(device, servers, most_rounds)
        result: Any = None
        while True:
            try:
                effect = steps.send(result)
            except StopIteration as end:
                completed: Completed | None = end.value
                return completed
            result = self._carry_out(effect)

    def _carry_out(self, effect: Effect) -> Any:
        handlers: dict[type, Callable[[Any], Any]] = {
            Note: lambda e: self._console.emit("bootstrap.progressed", step=e.step, detail=e.detail),
            Now: lambda e: time.monotonic(),
            Sleep: lambda e: time.sleep(e.seconds),
            Ask: self._ask,
            Fetch: self._fetch,
            Install: self._install,
            Reboot: self._reboot,
            Apply: self._apply,
            RollBack: self._roll_back,
            Confirm: self._confirm,
            ConfirmSlot: lambda e: ask_loader("confirm"),
        }
        return handlers[type(effect)](effect)

    def _ask(self, effect: Ask) -> Answer | Failure:
        answer = self._client.post(effect.server, effect.path, effect.body)
        if self._client.is_news(answer):
            self._console.emit("management.reached", server=str(effect.server))
        return answer

    def _fetch(self, effect: Fetch) -> Fetched | Failure:
        self._uri, self._sha256 = effect.uri, effect.sha256 or b""
        if (refused := self._refused.get(self._sha256)) is not None:
            return self._fail_image(refused)
        resting = self._find_rest(effect.sha256)
        if resting is not None:
            return self._fail_image(resting)
        target = self._flash / INCOMING
        fetched = self._client.fetch(
            effect.uri, effect.sha256, effect.server, target, self._slot_bytes, self._tell_progress
        )
        if isinstance(fetched, Failure):
            return self._fail_image(fetched)
        facts = {"bytes": fetched.bytes, "took_s": fetched.took_s, "resumes": fetched.resumes, "uri": effect.uri}
        self._console.emit("image.fetched", **facts, sha256=fetched.sha256, verified=effect.sha256 is not None)
        return fetched

    def _find_rest(self, sha256: bytes | None) -> Failure | None:
        """Return why an image is not to be fetched just now: its trial failed, and it must rest."""
        if sha256 is None:
            return None
        try:
            known = ask_loader("may_try", sha256=sha256.hex())
        except ControlError as error:
            return Failure("install", str(error))
        rest_s, failures = float(known["rest_s"]), known["failures"]
        if not rest_s:
            return None
        return Failure("given_up", f"its trial failed ({failures} in a row); it may be tried again in {rest_s:.0f} s")

    def _tell_progress(self, had: int, whole: int | None, took_s: float) -> None:
        self._console.emit("image.progressed", uri=self._uri, bytes=had, whole=whole, took_s=took_s)

    def _fail_image(self, failure: Failure) -> Failure:
        self._console.emit("image.failed", uri=self._uri, reason=failure.kind, detail=failure.detail)
        return failure

    def _install(self, effect: Install) -> Done | Failure:
        try:
            answer = ask_loader("install", path=str(self._flash / INCOMING), release=effect.release)
        except ControlError as error:
            failure = Failure(error.reason or "install", str(error))
            if error.reason is not None and self._sha256:
                self._refused[self._sha256] = failure
            return self._fail_image(failure)
        return Done(digest=str(answer["release"]))

    def _reboot(self, effect: Reboot) -> None:
        ask_loader("reboot", reason=effect.reason)
        time.sleep(REBOOT_WAIT_S)
        raise RuntimeError(f"expected the loader to reboot the device, saw nothing for {REBOOT_WAIT_S:g} s")

    def _apply(self, effect: Apply) -> Done | Failure:
        if self._configurer is None:
            return Failure("unsupported", "this release does not apply configurations; it must be upgraded first")
        try:
            self._configurer.apply(effect.document)
            config = parse_config(effect.document)
        except Exception as error:  # ApplyError, or a bug in a part of it: the device must go on either way
            return Failure("config", f"{type(error).__name__}: {error}")
        self._client.drop()  # what comes next must go over the new configuration
        self._digest = digest_config(effect.document)
        return Done(self._digest, config.management.confirm_s)

    def _roll_back(self, effect: RollBack) -> None:
        if self._configurer is None:
            return
        try:
            self._configurer.roll_back(effect.reason)
        except Exception as error:  # the last good one does not start either: bootstrap must go on without any
            self._console.emit(
                "bootstrap.progressed", step="roll-back.failed", detail=f"{type(error).__name__}: {error}"
            )
        self._client.drop()
        self._digest = None

    def _confirm(self, effect: Confirm) -> None:
        if self._configurer is not None and self._digest is not None:
            self._configurer.confirm()
        save_flag(self._flash, effect.server, self._digest)


def save_flag(flash: Path, server: Server, digest: str | None) -> None:
    """Clear the SZTP flag, for good: written whole or not at all."""
    path = flash / FLAG
    temporary = path.with_suffix(".new")
    with temporary.open("w") as file:
        json.dump({"address": server.address, "port": server.port, "digest": digest}, file)
        file.flush()
        os.fsync(file.fileno())
    temporary.rename(path)


def load_flag(flash: Path) -> dict[str, Any] | None:
    """Return what was written when bootstrap was complete; None before that."""
    path = flash / FLAG
    if not path.exists():
        return None
    found: dict[str, Any] = json.loads(path.read_text())
    return found
