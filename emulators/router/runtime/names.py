"""Host names to addresses, by the uplink's name servers alone. Layer: runtime, I/O.

The C library's resolver is not used: in a container it asks the engine. A name server that answers from the wrong place
or not at all costs its share of the time, then the next one is asked (dnspython does that).
"""

from __future__ import annotations

from ipaddress import ip_address

import dns.exception
import dns.resolver

QUERY_S = 2.0  # common practice: one try of one server


class ResolveError(OSError):
    """A name did not resolve. Says which servers were asked and what they said."""


def resolve(name: str, name_servers: tuple[str, ...], timeout_s: float = 8.0) -> tuple[str, ...]:
    """Return the IPv4 addresses of a name, in the order given; of an address, itself. Raises: ResolveError."""
    try:
        return (str(ip_address(name)),)
    except ValueError:
        pass
    if not name_servers:
        raise ResolveError(f"{name}: no name server is known; the uplink gave none")
    resolver = dns.resolver.Resolver(configure=False)
    resolver.nameservers = list(name_servers)
    resolver.timeout, resolver.lifetime = QUERY_S, timeout_s
    try:
        answer = resolver.resolve(name, "A", search=False)
    except (dns.exception.DNSException, OSError) as error:
        raise ResolveError(f"{name}: asked {', '.join(name_servers)}: {type(error).__name__}: {error}") from error
    return tuple(record.to_text() for record in answer)
