"""Compiles a profile and one of its sites to a plan: total, data only. Layer: profile, pure.

Fills in everything that files leave out: the first host of a segment's subnet as the router's address, host numbers as
addresses, placeholders, secrets' references as absolute paths, and each record that nobody keeps differently.

Budgets: a stage's budget is what the profile says. At the field's pace the hardware's own waits are added (boot to
`powered`, registration to `wan_obtained`; flash, boot and registration to `upgraded`, which reboots); at the fast pace
they are a fraction of a second and nothing is added.
"""

from __future__ import annotations

import ipaddress
import os.path
from pathlib import Path

from emulators.common import controls
from harness.core import model, sections
from harness.core.model import CarrierRecord, Pace, Plan, Waits
from harness.core.sections import SecretRef
from harness.errors import InputError, Problem
from harness.profile import schema, schema_controls, schema_sections
from harness.profile.explain import nearest
from harness.profile.fields import fill
from harness.profile.hardware import HARDWARE
from harness.profile.load import LoadedProfile

SYSLOG_PORTS = {"udp": 514, "tcp": 514, "tls": 6514}
"""RFC 5426 section 3.3; common practice, no source, for TCP; RFC 5425 section 4.1."""


def site_names(loaded: LoadedProfile) -> tuple[str, ...]:
    """Return the sites' names in the order of the file."""
    return tuple(loaded.sites)


def compile_plan(loaded: LoadedProfile, site_name: str, pace: Pace, until: str | None = None) -> Plan:
    """Return the plan of one site. Raises: InputError where there is no such site or stage."""
    if site_name not in loaded.sites:
        text = f"there is no site {site_name!r}{nearest(site_name, loaded.sites)}"
        raise InputError((Problem(str(loaded.sites_path), 0, 0, "sites", text),))
    if until is not None and until not in schema.Budgets.model_fields:
        text = f"there is no stage {until!r}{nearest(until, schema.Budgets.model_fields)}"
        raise InputError((Problem(str(loaded.path), 0, 0, "until", text),))
    hardware = HARDWARE[loaded.profile.hardware]
    waits = hardware.get_waits(pace)
    compiler = _Compiler(loaded, site_name)
    branch = compiler.build_branch(build_budgets(loaded.profile.acceptance.budgets_s, pace, waits))
    return Plan(
        format=1,
        branch=branch,
        hardware=hardware.made_of,
        waits=waits,
        pace=pace,
        records=compiler.build_records(branch),
        profile_digest=loaded.digest,
        until=until,
    )


def build_budgets(budgets: schema.Budgets, pace: Pace, waits: Waits) -> dict[str, float]:
    """Return stage to seconds: the profile's, with the hardware's waits added at the field's pace."""
    found = {stage: float(getattr(budgets, stage)) for stage in schema.Budgets.model_fields}
    if pace == "field":
        found["powered"] += waits.boot_s
        found["wan_obtained"] += waits.modem_registration_s
        found["upgraded"] += waits.flash_write_s + waits.boot_s + waits.modem_registration_s
    return found


def _build_reach(row: schema_controls.Reach) -> controls.Reach:
    return controls.Reach(row.to, row.open)


class _Compiler:
    """One profile and one of its sites, being put together."""

    def __init__(self, loaded: LoadedProfile, site_name: str) -> None:
        self._profile, self._site, self._name = loaded.profile, loaded.sites[site_name], site_name
        self._base, self._sites_base = loaded.path.parent, loaded.sites_path.parent
        self._subnets = {
            segment.name: ipaddress.IPv4Network(self._site.subnets.get(segment.name) or segment.subnet or "")
            for segment in loaded.profile.segments
        }

    def build_branch(self, budgets_s: dict[str, float]) -> sections.Branch:
        profile, site = self._profile, self._site
        return sections.Branch(
            profile=profile.profile,
            site=self._name,
            owner=profile.owner,
            hostname=site.hostname,
            serial=site.serial,
            mac=site.mac.lower(),
            release=profile.release,
            sims=tuple(map(self._sim, profile.sims)),
            uplinks=profile.uplinks.order,
            health=self._health(),
            bootstrap=tuple(sections.BootstrapServer(b.address, b.port) for b in profile.bootstrap),
            segments=tuple(map(self._segment, profile.segments)),
            tunnel=self._tunnel(),
            time_servers=profile.time_servers,
            name_servers=profile.name_servers,
            logging=self._logging(),
            monitoring=self._monitoring(),
            administration=self._administration(),
            heartbeat_s=float(profile.management.heartbeat_s),
            confirm_s=float(profile.management.confirm_s),
            acceptance=self._acceptance(budgets_s),
            radius=self._radius(),
            applications=profile.applications.build() if profile.applications else None,
            web_filter=profile.web_filter.build() if profile.web_filter else None,
            threats=profile.threats.build() if profile.threats else None,
            qos=profile.qos.build() if profile.qos else None,
            alerts=profile.alerts.build() if profile.alerts else None,
            operators=profile.operators.build() if profile.operators else None,
        )

    def build_records(self, branch: sections.Branch) -> model.Records:
        record = self._site.on_record
        inventory, headquarters = record.inventory, record.headquarters
        return model.Records(
            carrier=self._carrier(branch),
            inventory=model.InventoryRecord(
                claimed=inventory.claimed,
                serial=inventory.serial or branch.serial,
                mac=(inventory.mac or branch.mac).lower(),
                owner=inventory.owner or branch.owner,
                profile=inventory.profile or branch.profile,
            ),
            headquarters=model.HeadquartersRecord(
                psk=self._secret(headquarters.psk, self._sites_base) if headquarters.psk else branch.tunnel.psk,
                ike_proposals=headquarters.ike_proposals or branch.tunnel.ike_proposals,
                esp_proposals=headquarters.esp_proposals or branch.tunnel.esp_proposals,
                branch_subnets=headquarters.branch_subnets or branch.tunnel.local_subnets,
            ),
            firmware=model.FirmwareRecord(record.firmware.damage),
        )

    def _carrier(self, branch: sections.Branch) -> CarrierRecord:
        record = self._site.on_record.carrier
        ordered = record.apns
        return CarrierRecord(
            active=record.active,
            apns=branch.sims[0].apns[:1] if ordered is None else tuple(self._apn(a, self._sites_base) for a in ordered),
            mtu=record.mtu,
            rsrp_dbm=float(record.rsrp_dbm),
            rsrq_db=float(record.rsrq_db),
            sinr_db=float(record.sinr_db),
            down_bps=record.down_bps,
            up_bps=record.up_bps,
            delay_ms=float(record.delay_ms),
            jitter_ms=float(record.jitter_ms),
            loss_pct=float(record.loss_pct),
            pin=self._secret(record.pin, self._sites_base) if record.pin else None,
        )

    def _secret(self, ref: str, base: Path) -> SecretRef:
        """Return a reference with its placeholders filled, and absolute: relative to the file that names it."""
        kind, _, where = fill(ref, self._name, self._site.hostname).partition(":")
        return SecretRef(f"file:{os.path.normpath(base / where)}" if kind == "file" else f"{kind}:{where}")

    def _apn(self, entry: schema_sections.ApnEntry, base: Path) -> sections.Apn:
        auth = entry.auth
        if auth is None:
            return sections.Apn(entry.name)
        return sections.Apn(entry.name, sections.ApnAuth(auth.method, auth.user, self._secret(auth.password, base)))

    def _sim(self, sim: schema_sections.Sim) -> sections.Sim:
        card = next(card for card in self._site.sims if card.slot == sim.slot)
        pin = self._secret(card.pin, self._sites_base) if card.pin else None
        if pin is None and sim.pin:
            pin = self._secret(sim.pin, self._base)
        apns = tuple(self._apn(apn, self._base) for apn in sim.apns)
        return sections.Sim(slot=sim.slot, iccid=card.iccid, imsi=card.imsi, apns=apns, pin=pin)

    def _segment(self, segment: schema_sections.Segment) -> sections.Segment:
        subnet, dhcp = self._subnets[segment.name], segment.dhcp
        return sections.Segment(
            name=segment.name,
            vlan=segment.vlan,
            ports=segment.ports,
            address=f"{subnet[1]}/{subnet.prefixlen}",
            dhcp=sections.DhcpRange(str(subnet[dhcp.first_host]), str(subnet[dhcp.last_host]), dhcp.lease_s),
            reach=tuple(map(_build_reach, segment.reach)),
            isolated=segment.isolated,
            admission=segment.admission.build(),
            verify_sources=segment.verify_sources,
        )

    def _health(self) -> sections.Health | None:
        health = self._profile.uplinks.health
        return sections.Health(health.target, float(health.interval_s), health.failures) if health else None

    def _tunnel(self) -> sections.Tunnel:
        tunnel, site = self._profile.tunnel, self._site
        return sections.Tunnel(
            gateway=tunnel.gateway,
            local_id=fill(tunnel.local_id, self._name, site.hostname),
            remote_id=fill(tunnel.remote_id, self._name, site.hostname),
            ike_proposals=tunnel.ike_proposals,
            esp_proposals=tunnel.esp_proposals,
            local_subnets=tuple(str(self._subnets[name]) for name in tunnel.local_segments),
            remote_subnets=tunnel.remote_subnets,
            dpd_s=tunnel.dpd_s,
            method=tunnel.auth.method,
            psk=self._secret(tunnel.auth.psk, self._base) if tunnel.auth.psk else None,
        )

    def _logging(self) -> sections.Logging | None:
        logging = self._profile.logging
        if logging is None:
            return None
        port = logging.port or SYSLOG_PORTS[logging.transport]
        return sections.Logging(logging.server, port, logging.transport, logging.least, float(logging.within_s))

    def _monitoring(self) -> sections.Monitoring | None:
        monitoring = self._profile.monitoring
        if monitoring is None:
            return None
        users = tuple(
            sections.SnmpUser(
                name=user.name,
                auth=user.auth,
                auth_key=self._secret(user.auth_key, self._base),
                priv=user.priv,
                priv_key=self._secret(user.priv_key, self._base),
            )
            for user in monitoring.users
        )
        return sections.Monitoring(
            users, monitoring.reach_from, self._site.location, monitoring.contact, monitoring.views
        )  # fmt: skip

    def _administration(self) -> sections.Administration | None:
        administration = self._profile.administration
        if administration is None:
            return None
        lockout, passwords = administration.lockout, administration.passwords
        return sections.Administration(
            user=administration.user,
            reach_from=administration.reach_from,
            methods=administration.methods,
            lockout=lockout.build() if lockout else None,
            passwords=passwords.build() if passwords else None,
        )

    def _radius(self) -> sections.Radius | None:
        radius = self._profile.radius
        return sections.Radius(radius.server, radius.port, self._secret(radius.secret, self._base)) if radius else None

    def _acceptance(self, budgets_s: dict[str, float]) -> sections.Acceptance:
        ping = self._profile.acceptance.ping
        return sections.Acceptance(
            budgets_s=budgets_s,
            ping_target=ping.target,
            ping_count=ping.count,
            ping_loss_pct=float(ping.loss_pct),
            ping_rtt_ms=float(ping.rtt_ms),
            transfer_bytes=self._profile.acceptance.transfer_bytes,
        )
