"""EMM and ESM causes, and the +CME ERROR numbers that stand for them. Layer: shared by stand-ins, pure data.

EMM: 3GPP TS 24.301 clause 9.9.3.9 and Annex A. ESM: clause 9.9.4.4 and Annex B. +CME ERROR: TS 27.007 clause 9.2; most
packet-domain errors there are 100 + cause, but not all, so the numbers stand in tables and are never computed.

Not here: who refuses what (carrier/machine.py), who tries again when (router/runtime/dialler.py, router/modem/nas.py).
"""

from __future__ import annotations

EMM_CAUSES: dict[int, str] = {
    2: "IMSI unknown in HSS",
    3: "Illegal UE",
    5: "IMEI not accepted",
    6: "Illegal ME",
    7: "EPS services not allowed",
    8: "EPS services and non-EPS services not allowed",
    9: "UE identity cannot be derived by the network",
    10: "Implicitly detached",
    11: "PLMN not allowed",
    12: "Tracking area not allowed",
    13: "Roaming not allowed in this tracking area",
    14: "EPS services not allowed in this PLMN",
    15: "No suitable cells in tracking area",
    17: "Network failure",
    19: "ESM failure",
    22: "Congestion",
    35: "Requested service option not authorized in this PLMN",
    42: "Severe network failure",
    111: "Protocol error, unspecified",
}

# Attach refusals that a UE takes back only after power-off or a change of SIM (TS 24.301 clause 5.5.1.2.5: #3, #6, #8;
# #5, #7 likewise), and those that bar this network for good as far as a fixed site is concerned (#11 to #15, #35).
EMM_PERMANENT: frozenset[int] = frozenset({2, 3, 5, 6, 7, 8, 11, 12, 13, 14, 15, 35})

ESM_CAUSES: dict[int, str] = {
    8: "Operator determined barring",
    26: "Insufficient resources",
    27: "Missing or unknown APN",
    28: "Unknown PDN type",
    29: "User authentication failed",
    30: "Request rejected by Serving GW or PDN GW",
    31: "Request rejected, unspecified",
    32: "Service option not supported",
    33: "Requested service option not subscribed",
    34: "Service option temporarily out of order",
    36: "Regular deactivation",
    38: "Network failure",
    39: "Reactivation requested",
    43: "Invalid EPS bearer identity",
    49: "Last PDN disconnection not allowed",
    50: "PDN type IPv4 only allowed",
    51: "PDN type IPv6 only allowed",
    52: "Single address bearers only allowed",
    53: "ESM information not received",
    65: "Maximum number of EPS bearers reached",
    66: "Requested APN not supported in current RAT and PLMN combination",
    111: "Protocol error, unspecified",
}

ESM_NO_RESOURCES = 26

# +CME ERROR numbers, TS 27.007 clause 9.2.1 (general) and 9.2.2 (packet domain).
CME_PHONE_FAILURE = 0
CME_NOT_ALLOWED = 3
CME_NOT_SUPPORTED = 4
CME_SIM_NOT_INSERTED = 10
CME_SIM_PIN_REQUIRED = 11
CME_SIM_PUK_REQUIRED = 12
CME_SIM_FAILURE = 13
CME_SIM_BUSY = 14
CME_INCORRECT_PASSWORD = 16
CME_INVALID_INDEX = 21
CME_NOT_FOUND = 22
CME_NO_NETWORK_SERVICE = 30
CME_NETWORK_TIMEOUT = 31
CME_INCORRECT_PARAMETERS = 50
CME_UNSPECIFIED_PS_ERROR = 148

CME_TEXTS: dict[int, str] = {
    0: "phone failure",
    3: "operation not allowed",
    4: "operation not supported",
    10: "SIM not inserted",
    11: "SIM PIN required",
    12: "SIM PUK required",
    13: "SIM failure",
    14: "SIM busy",
    15: "SIM wrong",
    16: "incorrect password",
    20: "memory full",
    21: "invalid index",
    22: "not found",
    30: "no network service",
    31: "network timeout",
    32: "network not allowed - emergency calls only",
    50: "incorrect parameters",
    100: "unknown",
    102: "IMSI unknown in HSS",
    103: "illegal MS",
    105: "IMEI not accepted",
    106: "illegal ME",
    107: "PS services not allowed",
    108: "PS and non-PS services not allowed",
    111: "PLMN not allowed",
    112: "location area not allowed",
    113: "roaming not allowed in this location area",
    115: "no suitable cells",
    117: "network failure",
    119: "ESM failure",
    122: "congestion",
    126: "insufficient resources",
    127: "missing or unknown APN",
    128: "unknown PDP address or PDP type",
    129: "user authentication failed",
    130: "request rejected by gateway",
    131: "request rejected, unspecified",
    132: "service option not supported",
    133: "requested service option not subscribed",
    134: "service option temporarily out of order",
    136: "regular deactivation",
    143: "unknown PDP context",
    148: "unspecified packet domain error",
    171: "last PDN disconnection not allowed",
    177: "operator determined barring",
    178: "maximum number of bearers reached",
    179: "requested APN not supported in current RAT and PLMN combination",
    192: "IPv4 only allowed",
    193: "IPv6 only allowed",
    194: "single address bearers only allowed",
}

_EMM_TO_CME = {c: 100 + c for c in (2, 3, 5, 6, 7, 8, 11, 12, 13, 15, 17, 19, 22)}
_ESM_TO_CME = {c: 100 + c for c in (26, 27, 28, 29, 30, 31, 32, 33, 34, 36, 43)} | {
    8: 177,
    49: 171,
    50: 192,
    51: 193,
    52: 194,
    65: 178,
    66: 179,
}


def cme_of_emm(cause: int) -> int:
    """Return the +CME ERROR number for an attach refusal; 148 where TS 27.007 names none."""
    return _EMM_TO_CME.get(cause, CME_UNSPECIFIED_PS_ERROR)


def cme_of_esm(cause: int) -> int:
    """Return the +CME ERROR number for a refused PDN connection; 148 where TS 27.007 names none."""
    return _ESM_TO_CME.get(cause, CME_UNSPECIFIED_PS_ERROR)
