"""What a run, or a process, has on the engine, by the docker command line: of others' labs beside it nothing is seen.

Told apart from what we left behind are ghosts: networks that the engine itself cannot let go of (see
harness/lab/removal.py). A ghost is one that has no container, and whose removal the engine refuses for active
endpoints. A network that we forgot can be removed: it stays in the answer, and the test fails.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable

LISTINGS = {"ID": (["ps", "-a"], ["network", "ls"]), "Name": (["volume", "ls"],)}
"""Field that names a thing to the listings of such things."""


def owned(run_id: str) -> list[str]:
    """Return everything that the engine has under a run's label."""
    return [name for name, run, _ in _list_labelled() if run == run_id]


def owned_by(pid: int) -> list[str]:
    """Return everything that the engine has under the label of a process (its form: harness/lab/owner.py)."""
    return [name for name, _, owner in _list_labelled() if owner.split("/")[-2] == str(pid)]


def _list_labelled() -> list[list[str]]:
    """Return name, run and owner of all that carries the bench's labels."""
    found = []
    for field, listings in LISTINGS.items():
        form = f'{{{{.{field}}}}} {{{{.Label "branchproof.run"}}}} {{{{.Label "branchproof.owner"}}}}'
        for listing in listings:
            command = ["docker", *listing, "--filter", "label=branchproof.run", "--format", form]
            done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
            found += [line.split() for line in done.stdout.splitlines()]
    return found


def leave_out_ghosts(ids: Iterable[str]) -> set[str]:
    """Return the ids without the ghosts among them."""
    return {found for found in ids if not _is_ghost(found)}


def _is_ghost(found: str) -> bool:
    seen = subprocess.run(["docker", "network", "inspect", found], capture_output=True, text=True, check=False)
    if seen.returncode or json.loads(seen.stdout)[0]["Containers"]:
        return False
    refused = subprocess.run(["docker", "network", "rm", found], capture_output=True, text=True, check=False)
    return "has active endpoints" in refused.stderr
