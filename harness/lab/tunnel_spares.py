"""The tunnel's certificates once they have ended, and another branch's. Layer: lab; makes keys, no files."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from harness.lab.certificates import Authority, Credential, build_san, issue, name_common
from harness.lab.spares import AGE, LIFE

OTHER_BRANCH = "another-branch.invalid"
"""RFC 6761 section 6.4: a name that no site has."""
ENDED_AGO = timedelta(days=1)
"""Long enough that no clock of the bench disagrees; our choice."""


@dataclass(frozen=True, slots=True)
class TunnelSpares:
    """`gateway` and `branch` are of the right authority, for the right name, and not valid any more."""

    gateway: Credential
    branch: Credential
    other_branch: Credential
    """As good as the branch's own, for `OTHER_BRANCH`."""


def make_tunnel_spares(headquarters: Authority, gateway_id: str, branch_id: str, now: datetime) -> TunnelSpares:
    """Make all."""

    def issue_peer(identity: str, since: datetime, until: datetime) -> Credential:
        return issue(headquarters, name_common(identity), (build_san(identity),), (since, until), None)

    ended = (now - ENDED_AGO - LIFE, now - ENDED_AGO)
    return TunnelSpares(
        gateway=issue_peer(gateway_id, *ended),
        branch=issue_peer(branch_id, *ended),
        other_branch=issue_peer(OTHER_BRANCH, now - AGE, now + LIFE),
    )
