"""The bits by which the packet filter and the inspector speak of a packet, and its connection. Layer: firmware, pure.

They stand on a packet only between the chains of the inspection; what leaves the device, or meets another part, bears
none. A connection's mark also holds the generation of the configuration that it was judged by, so that one of an
earlier configuration is judged anew.
"""

from __future__ import annotations

QUEUE = 7
"""Number of the netfilter queue."""

ASK_NAME, ASK_THREAT, ASK_ANSWER = 0x1_0000, 0x2_0000, 0x4_0000
"""What the inspector is asked of a packet: whose server it is for, what it carries, what names it gives out."""
PASSED = 0x8_0000
"""The inspector has seen it."""
REFUSE = 0x10_0000
"""To be refused: it does not cross, and its sender is told."""
DONE, NAMED = 0x20_0000, 0x40_0000
"""Of its connection: enough was seen of this direction; the server's name is an allowed one."""
ASKED = ASK_NAME | ASK_THREAT | ASK_ANSWER
ALL = ASKED | PASSED | REFUSE | DONE | NAMED

DONE_ORIGINAL, DONE_REPLY, CT_NAMED, CT_ADDRESSED = 1, 2, 4, 8
"""What a connection's mark keeps."""
GENERATION_SHIFT, GENERATIONS = 24, 255
