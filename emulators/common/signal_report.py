"""Signal strength as +CSQ and +CESQ report it, and back. Layer: shared, pure.

TS 27.007 clause 8.5 (+CSQ) and 8.69 (+CESQ). An index is a half-open bin, not a point: RSRP index n covers
[-141 + n, -140 + n) dBm, RSRQ index n covers [-20 + n/2, -19.5 + n/2) dB; index 0 is all below, the top all above.
"""

from __future__ import annotations

import math

UNKNOWN_CSQ = 99  # TS 27.007 clause 8.5
UNKNOWN_CESQ = 255  # TS 27.007 clause 8.69: rscp, ecno, rsrq, rsrp not known
RSRP_TOP, RSRQ_TOP, RSSI_TOP = 97, 34, 31
RESOURCE_BLOCKS = 50  # a 10 MHz carrier: TS 36.101 clause 5.6


def rsrp_index(rsrp_dbm: float) -> int:
    """Return the <rsrp> of +CESQ."""
    return max(0, min(RSRP_TOP, math.floor(rsrp_dbm) + 141))


def rsrq_index(rsrq_db: float) -> int:
    """Return the <rsrq> of +CESQ."""
    return max(0, min(RSRQ_TOP, math.floor(2 * (rsrq_db + 20))))


def rssi_index(rssi_dbm: float) -> int:
    """Return the <rssi> of +CSQ: 2 dB steps from -113 dBm."""
    return max(0, min(RSSI_TOP, math.floor((rssi_dbm + 113) / 2)))


def rssi_dbm(rsrp_dbm: float, rsrq_db: float) -> float:
    """Return RSSI from RSRP and RSRQ: RSRQ = N x RSRP / RSSI (TS 36.214 clause 5.1.3), N resource blocks."""
    return rsrp_dbm + 10 * math.log10(RESOURCE_BLOCKS) - rsrq_db


def rsrp_of_index(index: int) -> float | None:
    """Return the lower edge in dBm of an <rsrp> bin (-141 for "below -140"); None when not known."""
    return None if index == UNKNOWN_CESQ else float(index - 141)


def rsrq_of_index(index: int) -> float | None:
    """Return the lower edge in dB of an <rsrq> bin (-20 for "below -19.5"); None when not known."""
    return None if index == UNKNOWN_CESQ else index / 2 - 20
