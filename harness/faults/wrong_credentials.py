"""wrong_credentials: the carrier has another user or password on record than staging put into the device."""

from __future__ import annotations

from harness.core.faults import Parameter, impair
from harness.faults._credentials import build_refusal

FAULT = build_refusal(
    name="wrong_credentials",
    order=210,
    title="wrong credentials",
    cause="A typing error in user or password, or the carrier changed them.",
    met="common",
    why="The carrier refuses with ESM cause 29, and does not say whether user or password is wrong.",
    parameter=Parameter("part", "what is wrong: user or password", "password", ("user",)),
    with_auth=True,
    doing=lambda plan, values: impair("carrier", "other_credentials", part=values["part"]),
    none="no APN of the profile has credentials",
)
