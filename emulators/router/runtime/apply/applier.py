"""Apply, confirm, roll back: the configuration as a transaction. Layer: router firmware, I/O (flash, parts).

Law: at any time the device runs one whole configuration or none. A new one that cannot be started gives way to the one
that ran before; one that management does not confirm gives way to the last good one, which is on the flash (readable to
root alone, since it holds secrets). Events carry digests only.

Not here: when to confirm or to roll back (runtime/main.py).
"""

from __future__ import annotations

import syslog
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from emulators.common.charon import choose_means
from emulators.common.device_config import DeviceConfig, digest_config
from emulators.common.service import log
from emulators.common.supervise import write_private
from emulators.common.swanctl import Means

from .base import ApplyError, Emitter, Ground, Situation, find_tunnel_mtu, ignore_change
from .check_uplink import check_uplink
from .deployment import Deployment
from .device_log import note
from .document import read_document
from .parts import discover_parts

if TYPE_CHECKING:
    from ..uplink_state import UplinkState


def ignore_tunnel(_is_up: bool) -> None:
    """Do nothing when the tunnel comes or goes."""


class Applier:
    """Runs at most one configuration. `on_tunnel` is told when the tunnel comes up and goes down (any thread)."""

    def __init__(self, console: Emitter, flash_dir: Path, on_tunnel: Callable[[bool], None] = ignore_tunnel) -> None:
        self._console = console
        self._ground = Ground(console, flash_dir, on_tunnel, ignore_change)
        self._last_good = flash_dir / "config" / "last_good.json"
        self._lock = threading.RLock()
        self._document: bytes | None = None
        self._deployment: Deployment | None = None
        self._uplink: UplinkState | None = None
        self._means: Means | None = None

    @property
    def config(self) -> DeviceConfig | None:
        """The configuration that runs, if any."""
        return self._deployment.config if self._deployment is not None else None

    @property
    def digest(self) -> str | None:
        """Digest of the document that runs, if any."""
        return digest_config(self._document) if self._document is not None else None

    def apply(self, document: bytes, uplink: UplinkState | None) -> None:
        """Replace what runs by this document. Raises: ApplyError, and then what ran before runs again."""
        digest = digest_config(document)
        with self._lock:
            began = time.monotonic()
            self._uplink = uplink
            try:
                self._replace(document, uplink)
            except ApplyError as error:
                self._console.emit(
                    "config.refused", digest=digest, section=error.section, reason=error.reason, why=error.why
                )
                _note(syslog.LOG_WARNING, f"configuration {digest[:16]} refused: {error}")
                raise
            took_s = round(time.monotonic() - began, 3)
        self._console.emit("config.applied", digest=digest, took_s=took_s)
        _note(syslog.LOG_NOTICE, f"configuration {digest[:16]} applied in {took_s:.2f} s")

    def _replace(self, document: bytes, uplink: UplinkState | None) -> None:
        config, before = read_document(document), self._document
        check_uplink(config, uplink)
        self._drop()
        try:
            self._deploy(document, config)
        except ApplyError:
            if before is not None:
                self._deploy(before, read_document(before))
            raise

    def confirm(self) -> None:
        """Make what runs the last good configuration."""
        with self._lock:
            if self._document is not None:
                write_private(self._last_good, self._document.decode("utf-8"))
                _note(syslog.LOG_NOTICE, f"configuration {digest_config(self._document)[:16]} confirmed")

    def roll_back(self, reason: str) -> None:
        """Go back to the last good configuration, or to none where there is none.

        Raises: ApplyError when the last good one cannot be started either; then none runs.
        """
        with self._lock:
            digest = digest_config(self._document) if self._document is not None else ""
            good = self._find_last_good()
            to = digest_config(good) if good is not None else None
            self._console.emit("config.rolled_back", digest=digest, to=to, reason=reason)
            _note(syslog.LOG_WARNING, f"configuration {digest[:16]} rolled back: {reason}")
            self._drop()
            if good is not None:
                self._deploy(good, read_document(good))

    def restore(self, uplink: UplinkState | None) -> bool:
        """At boot: run the last good configuration. False when there is none. Raises: ApplyError."""
        good = self._find_last_good()
        if good is None:
            return False
        self.apply(good, uplink)
        return True

    def on_uplink(self, uplink: UplinkState | None) -> None:
        """Re-point firewall, resolver and tunnel to another uplink, or to none."""
        with self._lock:
            self._tell_uplink(uplink)
            self._uplink = uplink
            deployment = self._deployment
            if deployment is not None and self._means is not None:
                mtu = find_tunnel_mtu(deployment.config, uplink, self._means)
                deployment.change(uplink=uplink, tunnel_mtu=mtu)

    def _tell_uplink(self, uplink: UplinkState | None) -> None:
        kinds = [None if state is None else state.kind for state in (self._uplink, uplink)]
        if self._deployment is not None and kinds[0] != kinds[1]:
            note(syslog.LOG_NOTICE, f"uplink in use: {kinds[1] or 'none'}")

    def stop(self) -> None:
        """Stop what runs, and leave the flash as it is."""
        with self._lock:
            self._drop()

    def _deploy(self, document: bytes, config: DeviceConfig) -> None:
        if self._means is None:
            self._means, reason = choose_means()
            self._console.emit("means.chosen", what="esp", means=self._means, reason=reason)
        situation = Situation(self._uplink, self._means, find_tunnel_mtu(config, self._uplink, self._means))
        deployment = Deployment(config, situation, discover_parts(), self._ground)
        deployment.start()
        self._document, self._deployment = document, deployment

    def _drop(self) -> None:
        deployment, self._deployment, self._document = self._deployment, None, None
        if deployment is not None:
            deployment.stop()

    def _find_last_good(self) -> bytes | None:
        return self._last_good.read_bytes() if self._last_good.exists() else None


def _note(priority: int, text: str) -> None:
    """Say something in the device's own log."""
    log(f"device: {text}")
    note(priority, text)
