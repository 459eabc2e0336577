"""How large a packet the path carries, whatever the uplink says of itself. Layer: firmware; `search` is pure.

An uplink tells the MTU of its own link. A narrower one further on, whose ICMP "fragmentation needed" is filtered,
makes larger packets vanish (RFC 2923 section 2.1). So the device tries packets of several sizes, with DF set, and goes
by what is answered: packetization layer path MTU discovery, RFC 4821, with ICMP echoes as its probes. Only a path that
answers small packets and not large ones is narrow: silence alone says nothing.

Not here: what is done about it (uplinks.py).
"""

from __future__ import annotations

from collections.abc import Callable, Generator

from .pings import crosses

LEAST_BYTES = 576  # RFC 791 section 3.1: what every host must take; RFC 4821 section 7.7 falls back no further
TRIES = 2  # of one size, so that one packet lost says nothing: RFC 4821 section 7.6.4 asks that loss be told from size
GRAIN_BYTES = 8  # our choice: what is left on the table is less than one ESP block
USUAL_BYTES = (1492, 1428, 1400, 1358, 1280)
"""PPPoE (RFC 2516), GTP over 1500 with and without IPsec (3GPP TS 23.060 clause 9.3 and Annex C), IPv6's least (RFC
8200 section 5): tried before the range is halved, as RFC 1191 section 7.1 has its table."""


def search(mtu_bytes: int) -> Generator[int, bool, int | None]:
    """Yield sizes to try, be sent whether they were answered, and return the largest that is carried.

    None: not even the least was answered, so nothing is known.
    """
    if (yield mtu_bytes):
        return mtu_bytes
    if not (yield LEAST_BYTES):
        return None
    low, high = LEAST_BYTES, mtu_bytes
    for size in (s for s in USUAL_BYTES if s < mtu_bytes):
        if (yield size):
            low = size
            break
        high = size
    size = low + GRAIN_BYTES  # most often it is one of the usual ones: look just above it first
    while high - low > GRAIN_BYTES:
        if (yield size):
            low = size
        else:
            high = size
        size = (low + high) // 2
    return mtu_bytes if (yield mtu_bytes) else low  # it may have been loss after all: RFC 4821 section 7.6.4


def find_path_mtu(interface: str, target: str, mtu_bytes: int) -> int | None:
    """Return the largest packet that crosses to an address and back. None: nothing is known."""
    return drive(mtu_bytes, lambda size: any(crosses(interface, target, size) for _ in range(TRIES)))


def drive(mtu_bytes: int, is_carried: Callable[[int], bool]) -> int | None:
    """Run the search with a way to try a size."""
    steps = search(mtu_bytes)
    try:
        size = next(steps)
        while True:
            size = steps.send(is_carried(size))
    except StopIteration as end:
        carried: int | None = end.value
        return carried
