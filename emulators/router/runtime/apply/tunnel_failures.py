"""Why there is no tunnel, in charon's own words. Layer: router firmware, pure.

charon has no event for it: the reason stands in its log alone. The phrases are strongSwan's (src/libcharon, release
5.9). What a peer says of its refusal is the little that RFC 7296 section 3.10.1 lets it say.

    no_answer                a request was given up (section 2.4); `exchange` says which
    authentication_failed    the gateway does not take us for whom we say we are
    no_proposal_chosen       no cipher suite in common; `exchange` says for which SA
    traffic_selectors        the gateway does not know our networks
    certificate_not_valid_now, untrusted_certificate, wrong_peer     we do not take the gateway for whom it says it is
"""

from __future__ import annotations

import re
from dataclasses import dataclass

INIT, AUTH, LATER = "IKE_SA_INIT", "IKE_AUTH", "INFORMATIONAL"
"""RFC 7296 section 1.2; all that comes after them is told as the exchange by which a dead peer is found."""

NO_ANSWER = "no_answer"

_PHRASES = (
    (re.compile(r"\[IKE\] received AUTHENTICATION_FAILED notify error"), "authentication_failed", AUTH),
    (re.compile(r"\[IKE\] received NO_PROPOSAL_CHOSEN notify error"), "no_proposal_chosen", INIT),
    (re.compile(r"\[IKE\] received NO_PROPOSAL_CHOSEN notify, no CHILD_SA built"), "no_proposal_chosen", AUTH),
    (re.compile(r"\[IKE\] received TS_UNACCEPTABLE notify, no CHILD_SA built"), "traffic_selectors", AUTH),
    (re.compile(r"\[CFG\] (?:subject|issuer) certificate invalid"), "certificate_not_valid_now", AUTH),
    (re.compile(r"\[CFG\] no issuer certificate found for"), "untrusted_certificate", AUTH),
    (re.compile(r"\[CFG\] constraint check failed"), "wrong_peer", AUTH),
)
_RETRANSMIT = re.compile(r"\[IKE\] retransmit \d+ of request with message ID (\d+)")
_GIVEN_UP = re.compile(r"\[IKE\] giving up after \d+ retransmits")
_BEGUN = re.compile(r"\[IKE\] initiating IKE_SA")
_STANDS = re.compile(r"\[IKE\] IKE_SA .* established between")


@dataclass(frozen=True, slots=True)
class Failure:
    """`detail`: charon's words."""

    reason: str
    exchange: str
    detail: str


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A request was sent again: the other end may be gone, or elsewhere."""


class FailureReader:
    """Feed it charon's log, line by line."""

    def __init__(self) -> None:
        self._exchange = INIT

    def feed(self, line: str) -> Failure | Unanswered | None:
        """Return what a line says about a tunnel that does not come up, or not stay."""
        if _BEGUN.search(line):
            self._exchange = INIT
        elif _STANDS.search(line):
            self._exchange = LATER
        elif match := _RETRANSMIT.search(line):
            if self._exchange != LATER:  # RFC 7296 section 2.2: IKE_SA_INIT is 0, the first IKE_AUTH 1
                self._exchange = INIT if match[1] == "0" else AUTH
            return Unanswered()
        elif match := _GIVEN_UP.search(line):
            return Failure(NO_ANSWER, self._exchange, _words(line, match))
        for phrase, reason, exchange in _PHRASES:
            if match := phrase.search(line):
                return Failure(reason, exchange, _words(line, match))
        return None


def _words(line: str, match: re.Match[str]) -> str:
    return line[match.start() :].split("] ", 1)[1]
