"""Networks that the engine itself cannot let go of (see harness/lab/removal.py): told apart from what we left behind.

A ghost is one that has no container, and whose removal the engine refuses for active endpoints. A network that we
forgot can be removed: it stays in the answer, and the test fails.
"""

from __future__ import annotations

import json
import subprocess


def leave_out_ghosts(ids: set[str]) -> set[str]:
    """Return the ids without the ghosts among them."""
    return {found for found in ids if not _is_ghost(found)}


def _is_ghost(found: str) -> bool:
    seen = subprocess.run(["docker", "network", "inspect", found], capture_output=True, text=True, check=False)
    if seen.returncode or json.loads(seen.stdout)[0]["Containers"]:
        return False
    refused = subprocess.run(["docker", "network", "rm", found], capture_output=True, text=True, check=False)
    return "has active endpoints" in refused.stderr
