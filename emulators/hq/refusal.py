"""Why the gateway refused a peer, read from charon's own words. Layer: stand-in, pure.

charon tells the peer only NO_PROPOSAL_CHOSEN, AUTHENTICATION_FAILED or TS_UNACCEPTABLE (RFC 7296 3.10.1), and has no
event for it: the reason stands in its log alone. The phrases are strongSwan's (src/libcharon, release 5.9).
"""

from __future__ import annotations

import re

_PHRASES = (
    (re.compile(r"\[IKE\] no IKE config found for"), "unknown_peer"),
    (re.compile(r"\[CFG\] no matching peer config found"), "unknown_peer"),
    (re.compile(r"\[IKE\] received proposals unacceptable"), "no_ike_proposal"),
    (re.compile(r"\[IKE\] no acceptable proposal found"), "no_esp_proposal"),
    (re.compile(r"\[IKE\] tried \d+ shared keys? for .*MAC mismatched"), "wrong_psk"),
    (re.compile(r"\[IKE\] no shared key found for"), "no_psk"),
    (re.compile(r"\[IKE\] traffic selectors .* unacceptable"), "traffic_selectors"),
    (re.compile(r"\[CFG\] no issuer certificate found for"), "untrusted_certificate"),
    (re.compile(r"\[IKE\] no trusted .* public key found for"), "untrusted_certificate"),
    (re.compile(r"\[CFG\] (?:subject|issuer) certificate invalid"), "certificate_not_valid_now"),
    (re.compile(r"\[IKE\] signature validation failed"), "wrong_signature"),
)


def find_refusal(line: str) -> tuple[str, str] | None:
    """Return the reason and charon's words when a log line says that a peer is refused, else None."""
    for phrase, reason in _PHRASES:
        if match := phrase.search(line):
            return reason, line[match.start() :].split("] ", 1)[1]
    return None
