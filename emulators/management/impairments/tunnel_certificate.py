"""Nobody renewed the branch's certificate for the tunnel: what the device has of it has ended. Layer: stand-in.

The device gets it as it gets all of its configuration; who mends it has the right one served, as a renewal would be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend
from emulators.management.render import build_offer

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext


def offer(bench: ManagementContext) -> dict[str, Impair]:
    def leave_branch_certificate_expired() -> Mend:
        """Serve the branch's document with a tunnel certificate, and its key, that ended yesterday."""
        settings, before = bench.seed["settings"], bench.machine.offer
        config = settings["config"]
        expired = {**config, "tunnel": {**config["tunnel"], **settings["expired_branch"]}}
        bench.machine.serve(build_offer({**settings, "config": expired}))
        return lambda: bench.machine.serve(before)

    return {"leave_branch_certificate_expired": leave_branch_certificate_expired}
