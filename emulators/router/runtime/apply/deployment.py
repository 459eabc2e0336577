"""One configuration, running: its parts started wave by wave, refreshed, and undone. Layer: router firmware, I/O.

Law: after `stop`, and after a `start` that raised, nothing of it is left.
"""

from __future__ import annotations

import dataclasses
import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import groupby
from typing import Any

from emulators.common.device_config import DeviceConfig
from emulators.common.service import log

from .base import ApplyError, Files, Ground, Part, Running, Situation

WORKERS = 4


class Deployment:
    """The parts of one configuration."""

    def __init__(self, config: DeviceConfig, situation: Situation, parts: tuple[Part, ...], ground: Ground) -> None:
        self.config, self._parts = config, parts
        self._situation = situation
        self._running: dict[str, tuple[Part, Running]] = {}
        self._lock = threading.RLock()
        self._closed = False
        self._ground = dataclasses.replace(ground, change=self.change)
        self._files = {part.name: _render(part, config, situation) for part in parts}

    def start(self) -> None:
        """Start every part. Raises: ApplyError, with everything undone."""
        try:
            with ThreadPoolExecutor(WORKERS) as pool:
                for _, wave in groupby(self._parts, key=lambda part: part.wave):
                    faults = [fault for fault in pool.map(self._start, wave) if fault is not None]
                    if faults:
                        raise faults[0]
        except BaseException:
            self.stop()
            raise

    def change(self, **facts: Any) -> None:
        """Take notice of another situation and tell the parts that run."""
        with self._lock:
            if self._closed:
                return
            self._situation = dataclasses.replace(self._situation, **facts)
            for part, running in self._running.values():
                self._refresh(part, running)

    def stop(self) -> None:
        """Undo every part, newest first; each is tried, whatever the others did."""
        with self._lock:
            self._closed = True
            running, self._running = list(self._running.values()), {}
        for _, wave in groupby(reversed(running), key=lambda item: item[0].wave):
            with ThreadPoolExecutor(WORKERS) as pool:
                list(pool.map(_stop, wave))

    def _start(self, part: Part) -> ApplyError | None:
        began = self._situation
        try:
            running = part.start(self.config, began, self._files[part.name], self._ground)
        except ApplyError as error:
            return error
        except Exception as error:  # a part's bug, too, must undo the whole
            fault = ApplyError(part.section, f"{part.name}: {error}", "failed")
            fault.__cause__ = error
            return fault
        with self._lock:
            self._running[part.name] = (part, running)
            if self._situation is not began:
                self._refresh(part, running)
        return None

    def _refresh(self, part: Part, running: Running) -> None:
        try:
            running.refresh(_render(part, self.config, self._situation), self._situation)
        except Exception as error:  # the other parts must hear of it all the same
            log(f"apply: {part.name}: could not follow the situation: {error}")


def _render(part: Part, config: DeviceConfig, situation: Situation) -> Files:
    try:
        return part.render(config, situation)
    except ValueError as error:
        raise ApplyError(part.section, f"{part.name}: {error}") from error


def _stop(item: tuple[Part, Running]) -> None:
    part, running = item
    try:
        running.stop()
    except Exception as error:  # undoing goes on to the end
        log(f"apply: {part.name}: could not be undone: {error}")
