"""What a profile may say: the profile file as a whole, its acceptance, and its JSON Schema. Layer: profile, pure.

The sections are in schema_sections.py and schema_controls.py. What takes two fields to judge is in crosscheck.py; the
sites file is in sites.py.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from harness.profile.fields import Address, FormatOne, Host, Line, Name, Release, Seconds
from harness.profile.hardware import HARDWARE
from harness.profile.schema_controls import Alerts, Applications, Operators, Qos, Radius, Threats, WebFilter
from harness.profile.schema_sections import (
    Administration,
    BootstrapServer,
    Logging,
    Management,
    Monitoring,
    Segment,
    Sim,
    Tunnel,
    Uplinks,
)
from harness.profile.strict import Strict

DEFAULT_BUDGETS_S: dict[str, float] = {
    "powered": 20,
    "wan_obtained": 30,
    "online": 30,
    "checked_in": 30,
    "upgraded": 60,
    "configured": 60,
    "tunnel_up": 60,
    "hq_reached": 30,
}
"""Common practice, no source: several times what a bench of two slow cores needs, and less than an installer waits."""


class Ping(Strict):
    target: Address
    """Address at headquarters that must answer."""
    count: Annotated[int, Field(ge=1, le=1000)] = 10
    """Echoes sent."""
    loss_pct: Annotated[float, Field(ge=0, lt=100, allow_inf_nan=False)] = 0.0
    """Loss allowed, per cent."""
    rtt_ms: Annotated[float, Field(gt=0, le=60_000, allow_inf_nan=False)]
    """Round trip within which nine in ten echoes must come back, milliseconds."""


class Budgets(Strict):
    powered: Seconds = DEFAULT_BUDGETS_S["powered"]
    """Power on until the device's firmware runs."""
    wan_obtained: Seconds = DEFAULT_BUDGETS_S["wan_obtained"]
    """Until the carrier (or the fixed line) has given the device an address."""
    online: Seconds = DEFAULT_BUDGETS_S["online"]
    """Until names are resolved, the clock is set and packets reach the internet."""
    checked_in: Seconds = DEFAULT_BUDGETS_S["checked_in"]
    """Until the management server knows the device."""
    upgraded: Seconds = DEFAULT_BUDGETS_S["upgraded"]
    """Until the device has checked in again on the wanted release."""
    configured: Seconds = DEFAULT_BUDGETS_S["configured"]
    """Until the device has reported its configuration complete."""
    tunnel_up: Seconds = DEFAULT_BUDGETS_S["tunnel_up"]
    """Until the headquarters' gateway has the child SA."""
    hq_reached: Seconds = DEFAULT_BUDGETS_S["hq_reached"]
    """Until a client in the branch has its answer from headquarters."""


class Acceptance(Strict):
    budgets_s: Budgets = Budgets()
    """Seconds for each stage, from the one before. The hardware's own waits are added at the field's pace."""
    ping: Ping
    """What the ping from the branch to headquarters must show."""
    transfer_bytes: Annotated[int, Field(ge=1, le=64 * 1024 * 1024)] = 1_000_000
    """Bytes fetched from headquarters through the tunnel."""


class Profile(Strict):
    """What a branch must be. One profile serves many sites."""

    format: FormatOne
    """Format of this file: 1."""
    profile: Name
    """Name of the profile."""
    owner: Line
    """Organisation that owns the devices; the management server's records must say the same."""
    hardware: Annotated[str, Field(json_schema_extra={"enum": list(HARDWARE)})]
    """Hardware class of the router."""
    release: Release
    """Firmware release that the branch must run, in quotes."""
    sites: Annotated[str, Field(pattern=r"\.(ya?ml|csv)$", max_length=4096)]
    """Path of the sites file (.yaml or .csv), relative to this file."""
    sims: Annotated[tuple[Sim, ...], Field(min_length=1)]
    """What the device is told of each SIM slot that is used."""
    uplinks: Uplinks
    """Ways to the internet."""
    bootstrap: Annotated[tuple[BootstrapServer, ...], Field(min_length=1, max_length=4)]
    """Bootstrap servers, tried in order."""
    segments: Annotated[tuple[Segment, ...], Field(min_length=1)]
    """LAN segments."""
    tunnel: Tunnel
    """IKEv2 tunnel to headquarters."""
    time_servers: Annotated[tuple[Host, ...], Field(min_length=1, max_length=8)]
    """NTP servers (RFC 5905)."""
    name_servers: tuple[Address, ...] = ()
    """DNS resolvers; empty: those that the uplink gives."""
    logging: Logging | None = None
    """Where the device's log goes; left out: nowhere."""
    monitoring: Monitoring | None = None
    """SNMPv3; left out: off."""
    administration: Administration | None = None
    """SSH; left out: off."""
    management: Management
    """How the device keeps in touch."""
    radius: Radius | None = None
    """The server that network admission asks; left out: none."""
    applications: Applications | None = None
    """Application firewall; left out: off."""
    web_filter: WebFilter | None = None
    """Web filter, by names; left out: off."""
    threats: Threats | None = None
    """Threat detection; left out: off."""
    qos: Qos | None = None
    """Classes of the uplink; left out: none."""
    alerts: Alerts | None = None
    """What the management server alerts; left out: nothing."""
    operators: Operators | None = None
    """Who may use the management server as an operator; left out: nobody."""
    acceptance: Acceptance
    """What must be shown before the branch counts as proven."""


def schema() -> dict[str, Any]:
    """Return the profile file's JSON Schema, for an editor (the sites file's: `sites.sites_schema`)."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Profile.model_json_schema()}
