"""What an answer for a name says (RFC 1035 section 4). Layer: router firmware, pure."""

from __future__ import annotations

import dns.exception
import dns.message
import dns.rdatatype


def read_answer(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Return the name that was asked for (small letters, no dot at its end) and the IPv4 addresses given, aliases
    followed as they stand in the answer. Raises: ValueError where it is no such answer."""
    try:
        message = dns.message.from_wire(data)
    except (dns.exception.DNSException, ValueError) as error:
        raise ValueError(f"expected an answer for a name, saw {data[:32]!r}") from error
    if len(message.question) != 1:
        raise ValueError(f"expected one question, saw {len(message.question)}")
    name = message.question[0].name.to_text(omit_final_dot=True).lower()
    records = (record for rrset in message.answer if rrset.rdtype == dns.rdatatype.A for record in rrset)
    return name, tuple(str(record.address) for record in records)
