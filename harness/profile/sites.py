"""What differs from site to site: the pydantic models of the sites file, and its JSON Schema. Layer: profile, pure.

`on_record` holds what others have on paper of a site where that is not simply what the profile says. A key left out
takes its value from profile and site; so a site without `on_record` has no mistake in anybody's records. The clauses of
the signal's reporting ranges are from memory.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from harness.profile.fields import (
    FormatOne,
    HostLabel,
    Iccid,
    Imsi,
    Line,
    Mac,
    Name,
    Network,
    Proposal,
    Secret,
    SegmentName,
    Serial,
)
from harness.profile.schema_sections import ApnEntry
from harness.profile.strict import Strict

CARRIER_DEFAULTS: dict[str, Any] = {
    "active": True,
    "mtu": 1428,
    "rsrp_dbm": -92.0,
    "rsrq_db": -11.0,
    "sinr_db": 12.0,
    "down_bps": 40_000_000,
    "up_bps": 15_000_000,
    "delay_ms": 25.0,
    "jitter_ms": 2.0,
    "loss_pct": 0.0,
}
"""Common practice, no source: a fair cell, and a bearer MTU below Ethernet's so that arithmetic by habit shows."""

MTU_LEAST = 576  # RFC 791: every host takes a datagram of 576 octets
MTU_MOST = 1500  # IEEE 802.3: Ethernet payload


class Card(Strict):
    slot: Annotated[int, Field(ge=1, le=8)]
    """SIM slot, counted from 1."""
    iccid: Iccid
    """Number printed on the card (ITU-T E.118), in quotes."""
    imsi: Imsi
    """Subscriber identity (3GPP TS 23.003 clause 2.2) of a test network, 001.. or 999.., in quotes."""
    pin: Secret | None = None
    """Where this site's PIN is, instead of the profile's."""


class CarrierOnRecord(Strict):
    active: bool = CARRIER_DEFAULTS["active"]
    """Whether the subscription is active."""
    apns: tuple[ApnEntry, ...] | None = None
    """APNs that were ordered for the SIM; left out: the first one of the profile's list."""
    mtu: Annotated[int, Field(ge=MTU_LEAST, le=MTU_MOST)] = CARRIER_DEFAULTS["mtu"]
    """Largest IPv4 packet of the bearer, octets."""
    rsrp_dbm: Annotated[float, Field(ge=-140, le=-44, allow_inf_nan=False)] = CARRIER_DEFAULTS["rsrp_dbm"]
    """Surveyed reference signal received power, dBm (3GPP TS 36.133 clause 9.1.4)."""
    rsrq_db: Annotated[float, Field(ge=-19.5, le=-3, allow_inf_nan=False)] = CARRIER_DEFAULTS["rsrq_db"]
    """Surveyed reference signal received quality, dB (3GPP TS 36.133 clause 9.1.7)."""
    sinr_db: Annotated[float, Field(ge=-23, le=40, allow_inf_nan=False)] = CARRIER_DEFAULTS["sinr_db"]
    """Surveyed signal to interference and noise ratio, dB (3GPP TS 38.133 table 10.1.16.1-1)."""
    down_bps: Annotated[int, Field(ge=64_000, le=1_000_000_000)] = CARRIER_DEFAULTS["down_bps"]
    """Rate towards the device, bits per second."""
    up_bps: Annotated[int, Field(ge=64_000, le=1_000_000_000)] = CARRIER_DEFAULTS["up_bps"]
    """Rate from the device, bits per second."""
    delay_ms: Annotated[float, Field(ge=0, le=5000, allow_inf_nan=False)] = CARRIER_DEFAULTS["delay_ms"]
    """Delay one way, milliseconds."""
    jitter_ms: Annotated[float, Field(ge=0, le=5000, allow_inf_nan=False)] = CARRIER_DEFAULTS["jitter_ms"]
    """Spread of the delay, milliseconds."""
    loss_pct: Annotated[float, Field(ge=0, lt=100, allow_inf_nan=False)] = CARRIER_DEFAULTS["loss_pct"]
    """Packets lost each way, per cent."""
    pin: Secret | None = None
    """Where the PIN is that the card was delivered with; left out: the one that the device is told."""


class InventoryOnRecord(Strict):
    claimed: bool = True
    """Whether the management server was told of the device beforehand."""
    serial: Serial | None = None
    """Serial number on record; left out: the site's."""
    mac: Mac | None = None
    """MAC on record; left out: the site's."""
    owner: Line | None = None
    """Owner on record; left out: the profile's."""
    profile: Name | None = None
    """Profile on record; left out: this one."""


class HeadquartersOnRecord(Strict):
    psk: Secret | None = None
    """Where the gateway's pre-shared key for this branch is; left out: the profile's."""
    ike_proposals: Annotated[tuple[Proposal, ...], Field(min_length=1)] | None = None
    """IKE proposals that the gateway takes; left out: the profile's."""
    esp_proposals: Annotated[tuple[Proposal, ...], Field(min_length=1)] | None = None
    """Child SA proposals that the gateway takes; left out: the profile's."""
    branch_subnets: Annotated[tuple[Network, ...], Field(min_length=1)] | None = None
    """Subnets that the gateway expects behind this branch; left out: those of the profile's local segments."""


class FirmwareOnRecord(Strict):
    damage: Literal["none", "corrupted"] = "none"
    """What became of the image in the store after its hash was taken: `corrupted` has one byte flipped."""


class OnRecord(Strict):
    carrier: CarrierOnRecord = CarrierOnRecord()
    """What was ordered from the carrier, and what the site survey measured."""
    inventory: InventoryOnRecord = InventoryOnRecord()
    """What the management server was told."""
    headquarters: HeadquartersOnRecord = HeadquartersOnRecord()
    """What the gateway at headquarters was told."""
    firmware: FirmwareOnRecord = FirmwareOnRecord()
    """What lies in the firmware store."""


class Site(Strict):
    hostname: HostLabel
    """Host name of the router at this site."""
    location: Line
    """Where it stands: the sysLocation object (RFC 3418)."""
    serial: Serial
    """Serial number printed on the router."""
    mac: Mac
    """MAC address printed on the router: that of its Ethernet WAN."""
    sims: tuple[Card, ...]
    """The cards put into the slots that the profile names."""
    subnets: dict[SegmentName, Network] = Field(default_factory=dict)
    """Segment name to subnet; needed for each segment to which the profile gives none."""
    on_record: OnRecord = OnRecord()
    """What others have on record where it is not simply what profile and site say."""


class SitesFile(Strict):
    """The sites of one profile."""

    format: FormatOne
    """Format of this file: 1."""
    sites: Annotated[dict[Name, Site], Field(min_length=1)]
    """Site name to site."""


def sites_schema() -> dict[str, Any]:
    """Return the JSON Schema of a sites file in YAML, for an editor."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **SitesFile.model_json_schema()}
