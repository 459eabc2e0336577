"""The inventory: the device is not in it, or with something else than it has. Layer: stand-in."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.common.record import from_json
from emulators.management.machine import InventoryEntry

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext


def offer(bench: ManagementContext) -> dict[str, Impair]:
    def list_entries() -> tuple[InventoryEntry, ...]:
        return tuple(from_json(InventoryEntry, entry, "inventory") for entry in bench.seed["settings"]["inventory"])

    def know(changed: tuple[InventoryEntry, ...]) -> Mend:
        bench.machine.know(changed)
        return lambda: bench.machine.know(list_entries())

    def forget_devices() -> Mend:
        """Nobody entered the devices."""
        return know(())

    def enter_otherwise(**fields: str) -> Mend:
        """The devices are entered with other fields (of `InventoryEntry`) than they have."""
        return know(tuple(replace(entry, **fields) for entry in list_entries()))

    return {"forget_devices": forget_devices, "enter_otherwise": enter_otherwise}
