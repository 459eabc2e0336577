"""The management server's records told anew while it runs, and what it knows of the device. Layer: stand-in.

Verbs: ``records {inventory, image_base64}`` (as in the seed) is another inventory and another image under the name of
the one before; what was heard of a device is kept. ``standing`` is what was heard: requests for data, and reports.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from emulators.common.record import from_json
from emulators.common.service import Handler
from emulators.management.machine import InventoryEntry, ManagementMachine
from emulators.management.server import Server


def build_records(machine: ManagementMachine, server: Server) -> dict[str, Handler]:
    """Return the handlers."""

    def put_records(inventory: list[dict[str, Any]], image_base64: str) -> dict[str, Any]:
        """Raises: RecordError; ValueError for a broken image."""
        data = base64.b64decode(image_base64, validate=True)
        machine.know(tuple(from_json(InventoryEntry, entry, "inventory") for entry in inventory))
        server.image = replace(server.image, data=data)
        return {"inventory": list(machine.list_serials())}

    def describe_standing() -> dict[str, Mapping[str, Any]]:
        return {
            serial: {"requests": claim.requests, "reports": list(claim.reports)}
            for serial, claim in machine.claims.items()
        }

    return {"records": put_records, "standing": describe_standing}
