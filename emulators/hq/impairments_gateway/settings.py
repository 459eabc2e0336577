"""The gateway set otherwise than the branch: key, certificate, proposals, networks. Layer: stand-in.

Each is a setting that somebody changed while the gateway runs: SAs that stand stay, the next request meets the new one.
"""

from __future__ import annotations

import secrets
from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.hq.gateway import GatewayContext

KEY_OCTETS = 32
"""As long as any real key: 128 bits of strength are asked for, a random key of twice that has them (NIST SP 800-77r1
section 3.2.2, from memory)."""


def offer(context: GatewayContext) -> dict[str, Impair]:
    responder = context.responder

    def change_psk() -> Mend:
        """The gateway has another pre-shared key for this branch."""
        other = secrets.token_hex(KEY_OCTETS)
        return responder.change(lambda tunnel: replace(tunnel, psk=other))

    def present_expired_certificate() -> Mend:
        """Nobody renewed the gateway's certificate in time."""
        expired = context.seed["settings"]["expired"]
        return responder.change(lambda tunnel: replace(tunnel, **expired))

    def change_proposals(ike: list[str] | None = None, esp: list[str] | None = None) -> Mend:
        """The gateway takes these proposals and no others; None: as before."""
        return responder.change(
            lambda tunnel: replace(
                tunnel,
                ike_proposals=tuple(ike or tunnel.ike_proposals),
                esp_proposals=tuple(esp or tunnel.esp_proposals),
            )
        )

    def change_branch_networks(networks: list[str]) -> Mend:
        """The gateway knows the branch by these networks."""
        return responder.change(lambda tunnel: replace(tunnel, remote_subnets=tuple(networks)))

    return {
        "change_psk": change_psk,
        "present_expired_certificate": present_expired_certificate,
        "change_proposals": change_proposals,
        "change_branch_networks": change_branch_networks,
    }
