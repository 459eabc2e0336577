"""What a person is told of a lab that was left up: how to get in, how to go on, how to be rid of it.

Layer: reports, pure.
"""

from __future__ import annotations

import shlex

from harness.core.model import Verdict

NODES = "router carrier internet management hq-gateway hq-endpoint client1..4"


def explain_kept(run_id: str, folder: str, verdict: Verdict, profile: str | None) -> str:
    """Return the commands, each to be copied as it is. `profile`: the file it came from, where it is known."""
    run = shlex.quote(folder)
    rows = [
        (f"branchproof enter {run} router", "a shell in the router; or in another node:"),
        ("", f"  {NODES}"),
        (f"branchproof at {run}", "the modem's second AT port"),
        (f"branchproof timeline {run}", "what happened, in order"),
    ]
    missed = next((s.stage for s in verdict.stages if s.outcome not in ("PASS", "NOT_APPLICABLE")), None)
    stage = missed if missed not in (None, "powered") else "tunnel_up"
    shown = shlex.quote(profile) if profile else "PROFILE"
    rows.append((f"branchproof resume {run} --from {stage} --profile {shown}", "go on, after a change of the profile"))
    rows.append(("branchproof sweep", "take down every lab that nobody works with, this one too"))
    lines = [f"lab {run_id} is still up:"]
    for command, text in rows:
        lines += [f"  {command}", f"      {text}"] if command else [f"      {text}"]
    return "\n".join(lines)
