"""apn_needs_credentials: the carrier's order asks for a user and a password, and staging put none into the device."""

from __future__ import annotations

from harness.core.faults import Parameter, impair
from harness.faults._carrier_path import find_names
from harness.faults._credentials import build_refusal

FAULT = build_refusal(
    name="apn_needs_credentials",
    order=205,
    title="APN needs credentials",
    cause="The APN of the order asks for a user and a password; staging took it for one that asks for none.",
    met="occasional",
    why="The carrier refuses with ESM cause 29; a device cannot guess a password, and tries its list again.",
    parameter=Parameter("method", "PAP or CHAP (TS 24.008 clause 10.5.6.3)", "chap", ("pap",)),
    with_auth=False,
    doing=lambda plan, values: impair(
        "carrier", "demand_credentials", names=find_names(plan, with_auth=False), method=values["method"]
    ),
    none="staging puts credentials with every APN of the profile",
)
