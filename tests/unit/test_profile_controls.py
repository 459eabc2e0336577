"""Contradictions between controls are found before any container starts, each at its place."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml
from test_profile_load import DEMOS, KIOSK, KIOSK_SITES, OFFICE, complaints, edit, place

from harness.profile.load import load_profile

OWN = ("segments", "logging", "monitoring", "administration", "radius", "applications", "web_filter", "threats", "qos",
       "alerts", "operators", "management")  # fmt: skip
CONTROLS = """
segments:
- name: till
  vlan: 10
  ports: [1]
  dhcp: {first_host: 10, last_host: 40, lease_s: 3600}
  reach: [{to: hq, open: [tcp/443, icmp]}]
  admission: {method: mac, macs: ["02:00:5e:00:53:01"], refused: guest}
- name: staff
  vlan: 20
  ports: [2]
  dhcp: {first_host: 10, last_host: 40, lease_s: 3600}
  reach: [hq, {to: internet, open: [tcp/443, udp/443, icmp]}, guest]
  admission: {method: dot1x, eap: [tls, peap], refused: deny, unreachable: deny}
- name: guest
  vlan: 30
  ports: [3, 4]
  dhcp: {first_host: 10, last_host: 110, lease_s: 1800}
  reach: [internet]
  isolated: true
logging: {server: 10.200.0.10, transport: tcp}
monitoring:
  users: [{name: watch, auth_key: "env:AUTH", priv_key: "env:PRIV"}]
  reach_from: [hq]
  contact: desk
  views: [1.3.6.1.2.1]
administration:
  user: operator
  reach_from: [hq]
  methods: [key, password]
  lockout: {failures: 6, within_s: 300, block_s: 1800}
  passwords: {policy: pci-dss-4}
radius: {server: 10.200.0.10, secret: "env:RADIUS"}
applications:
  segments: [staff]
  allowed:
  - {name: cards, by: tls, names: [cards.example, .pay.example], open: [tcp/443]}
  - {name: voice, by: dns, names: [voice.example], open: [udp/443]}
  - {name: echo, by: port, open: [icmp]}
web_filter:
  segments: [staff, guest]
  blocked:
  - {name: games, names: [games.example, bets.example]}
  - {name: adverts, names: [adverts.example]}
  encrypted_resolvers: [doh.example]
threats: {segments: [staff], signatures: [test-file], action: drop}
qos:
  uplink_bps: 4000000
  trusted: [staff]
  classes:
  - {name: voice, dscp: [ef, cs5], guaranteed_bps: 1000000, ceiling_bps: 2000000}
  - {name: rest, dscp: [df], guaranteed_bps: 500000, ceiling_bps: 4000000}
management: {heartbeat_s: 5, confirm_s: 60}
alerts:
  webhook: http://alerts.skerry-line.example/hook
  conditions:
  - {condition: device_silent, within_s: 20}
  - {condition: lockout, within_s: 10}
  - {condition: threat, within_s: 10}
operators: {issuer: "https://id.skerry-line.example", audience: management, second_factor: true}
"""


@pytest.fixture
def profile(tmp_path):
    """The demo profile with all controls as above, whatever the demo itself sets."""
    folder = Path(shutil.copytree(DEMOS, tmp_path / "profiles"))
    demo = yaml.safe_load((folder / KIOSK).read_text())
    rest = {key: value for key, value in demo.items() if key not in OWN}
    (folder / KIOSK).write_text(yaml.safe_dump(rest, sort_keys=False) + CONTROLS)
    return folder / KIOSK


def warnings_of(file: Path) -> list[str]:
    return [str(warning) for warning in load_profile(file).warnings]


def test_what_agrees_with_itself_is_taken(profile):
    warnings = [line for line in warnings_of(profile) if "grey-holm" not in line]
    assert len(warnings) == 1 and "guest, which may reach internet" in warnings[0]


SLIPS = [  # (old, new, where the complaint points: text after the edit, key path, words)
    # the matrix
    ("open: [tcp/443, icmp]}]", "open: [tcp/443, tcp/443]}]", "tcp/443]}]", "segments[0].reach[0].open[1]",
     "service tcp/443 stands twice"),
    ("open: [tcp/443, icmp]}]", "open: [tcp/443, any]}]", "any]}]", "segments[0].reach[0].open[1]", "name it alone"),
    ("open: [tcp/443, icmp]}]", "open: [tcp/70000]}]", "tcp/70000", "segments[0].reach[0].open[0]", "tcp/PORT"),
    ("open: [tcp/443, icmp]}]", "open: [https]}]", "https]}]", "segments[0].reach[0].open[0]", "tcp/PORT"),
    ("{to: internet,", "{to: internett,", "to: internett", "segments[1].reach[1].to", "nearest: internet"),
    ("icmp]}, guest]", "icmp]}, hq]", "hq]\n  admission", "segments[1].reach[2]", "name hq stands twice"),
    ("reach: [internet]", "reach: [internet, guest]", "guest]\n  isolated", "segments[2].reach[1]",
     "itself; say `isolated`"),
    ("reach: [internet]", "reach: [internet, {to: hq}]", "to: hq}]\n  isolated", "segments[2].reach[1].to",
     "nothing would carry it"),
    # admission
    ('macs: ["02:00:5e:00:53:01"]', 'macs: ["02:00:5e:00:53:01", "02:00:5E:00:53:01"]', '"02:00:5E',
     "segments[0].admission.macs[1]", "stands twice"),
    ('macs: ["02:00:5e:00:53:01"]', 'macs: ["01:00:5e:00:53:01"]', '"01:00', "segments[0].admission.macs[0]",
     "unicast"),
    ('macs: ["02:00:5e:00:53:01"]', "macs: []", "macs: []", "segments[0].admission.macs", "nobody could ever"),
    (', macs: ["02:00:5e:00:53:01"]', "", "method: mac", "segments[0].admission.method", "nobody could ever"),
    ("method: mac, macs", "method: mac, eap: [tls], macs", "eap: [tls]", "segments[0].admission.eap",
     "only dot1x does"),
    ("method: dot1x,", 'method: dot1x, macs: ["02:00:5e:00:53:02"],', "macs: [\"02:00:5e:00:53:02",
     "segments[1].admission.macs", "only mac does"),
    ("eap: [tls, peap], ", "", "method: dot1x", "segments[1].admission.method", "nobody could ever"),
    ("eap: [tls, peap]", "eap: [tls, tls]", "tls], refused", "segments[1].admission.eap[1]", "stands twice"),
    ('radius: {server: 10.200.0.10, secret: "env:RADIUS"}\n', "", "method: dot1x", "segments[1].admission.method",
     "add `radius`"),
    ("radius: {server: 10.200.0.10", "radius: {server: 10.201.0.10", "server: 10.201", "radius.server",
     "in none of tunnel.remote_subnets"),
    ("refused: guest", "refused: till", "refused: till", "segments[0].admission.refused", "cannot land in till"),
    ("refused: guest", "refused: gest", "refused: gest", "segments[0].admission.refused", "nearest: guest"),
    ("refused: guest", "refused: staff", "refused: staff", "segments[0].admission.refused", "admission of its own"),
    ('method: mac, macs: ["02:00:5e:00:53:01"]', "method: open", "refused: guest", "segments[0].admission.refused",
     "refuses nobody"),
    ("refused: guest", "refused: guest, unreachable: admit", "unreachable: admit", "segments[0].admission.unreachable",
     "asks no RADIUS server"),
    # administration
    ("failures: 6", "failures: 11", "failures: 11", "administration.lockout.failures", "8.3.4"),
    ("block_s: 1800", "block_s: 1799", "block_s: 1799", "administration.lockout.block_s", "8.3.4"),
    ("policy: pci-dss-4", "policy: own", "policy: own", "administration.passwords.policy", "under `own`"),
    ("policy: pci-dss-4", "policy: pci-dss-4, own: {least: 8}", "own: {least", "administration.passwords.own",
     "rules of its own"),
    ("policy: pci-dss-4", "policy: own, own: {least: 20, most: 16}", "least: 20", "administration.passwords.own.least",
     "only 16 must be taken"),
    ("policy: pci-dss-4", "policy: own, own: {least: 1, needs: [letter, digit]}", "least: 1,",
     "administration.passwords.own.least", "cannot hold"),
    ("policy: pci-dss-4", "policy: own, own: {least: 9, needs: [digit, digit]}", "digit]}}",
     "administration.passwords.own.needs[1]", "stands twice"),
    ("methods: [key, password]", "methods: [key, key]", "key]", "administration.methods[1]", "stands twice"),
    # application firewall
    ("segments: [staff]\n  allowed", "segments: [staf]\n  allowed", "staf]", "applications.segments[0]",
     "nearest: staff"),
    ("segments: [staff]\n  allowed", "segments: [staff, till]\n  allowed", "till]\n  allowed",
     "applications.segments[1]", "may not reach internet at all"),
    ("names: [cards.example, .pay.example], open: [tcp/443]", "names: [cards.example], open: [udp/443]", "udp/443]}\n",
     "applications.allowed[0].open[0]", "TLS over TCP"),
    ("names: [cards.example, .pay.example], ", "", "by: tls", "applications.allowed[0].by", "can never match"),
    ("names: [voice.example], ", "names: [], ", "names: []", "applications.allowed[1].names", "can never match"),
    ("by: port, open", "by: port, names: [echo.example], open", "names: [echo", "applications.allowed[2].names",
     "looks at no names"),
    ("by: port, open: [icmp]", "by: port, open: [any]", "any]}\nweb", "applications.allowed[2].open[0]",
     "nothing would be left"),
    (".pay.example], open: [tcp/443]", ".pay.example], open: [tcp/8443]", "tcp/8443", "applications.allowed[0].open[0]",
     "the matrix opens tcp/8443"),
    ("[cards.example, .pay", "[cards.example, www.games.example, .pay", "www.games", "applications.allowed[0].names[1]",
     "the web filter blocks games.example"),
    ("[cards.example, .pay", "[cards.example, doh.example, .pay", "doh.example, .pay",
     "applications.allowed[0].names[1]", "the web filter blocks doh.example"),
    ("[cards.example, .pay", "[cards.example, Cards.example, .pay", "Cards", "applications.allowed[0].names[1]",
     "name cards.example stands twice"),
    ("names: [voice.example], open: [udp/443]", "names: [cards.example], open: [tcp/443]",
     "cards.example], open: [tcp/443]}\n  - {name: echo", "applications.allowed[1].names[0]", "on tcp/443 twice"),
    ("by: port, open: [icmp]", "by: port, open: [udp/443]", "udp/443]}\n  - {name: echo",
     "applications.allowed[1].open[0]", "names mean nothing there"),
    ("name: echo", "name: cards", "name: cards, by: port", "applications.allowed[2].name",
     "application cards stands twice"),
    ("{to: internet, open: [tcp/443, udp/443, icmp]}, guest", "{to: internet}, guest", None, None, None),
    # web filter
    ("segments: [staff, guest]", "segments: [staff, gest]", "gest]", "web_filter.segments[1]", "nearest: guest"),
    ("bets.example]", "boot.skerry-line.example]", "boot.skerry-line.example]}", "web_filter.blocked[0].names[1]",
     "blocks boot.skerry-line.example, a bootstrap server"),
    ("bets.example]", "skerry-line.example]", "skerry-line.example]}", "web_filter.blocked[0].names[1]",
     "blocks hq.skerry-line.example, the tunnel's gateway"),
    ("bets.example]", "time.skerry-line.example]", "time.skerry-line.example]}", "web_filter.blocked[0].names[1]",
     "a time server"),
    ("bets.example]", ".alerts.skerry-line.example]", ".alerts.skerry-line.example]}", "web_filter.blocked[0].names[1]",
     "the alerts' webhook"),
    ("bets.example]", "id.skerry-line.example]", "id.skerry-line.example]}", "web_filter.blocked[0].names[1]",
     "the tokens' issuer"),
    ("names: [adverts.example]", "names: [Bets.example]", "Bets", "web_filter.blocked[1].names[0]",
     "name bets.example stands twice"),
    ("name: adverts", "name: games", "name: games, names: [adverts", "web_filter.blocked[1].name", "stands twice"),
    ("[doh.example]", "[doh.example, time.skerry-line.example]", "time.skerry-line.example]\nthreats",
     "web_filter.encrypted_resolvers[1]", "shuts out time.skerry-line.example"),
    # threats
    ("threats: {segments: [staff]", "threats: {segments: [stuff]", "stuff", "threats.segments[0]", "nearest: staff"),
    ("signatures: [test-file]", "signatures: [test-file, test-file]", "test-file], action", "threats.signatures[1]",
     "stands twice"),
    # quality of service
    ("guaranteed_bps: 1000000", "guaranteed_bps: 1900000", None, None, None),
    ("guaranteed_bps: 500000", "guaranteed_bps: 3500000", "uplink_bps: 4000000", "qos.uplink_bps",
     "guaranteed 4500000 bit/s together"),
    ("ceiling_bps: 2000000", "ceiling_bps: 900000", "ceiling_bps: 900000", "qos.classes[0].ceiling_bps",
     "expected 1000000 (guaranteed_bps) or more"),
    ("ceiling_bps: 2000000", "ceiling_bps: 4000001", "ceiling_bps: 4000001", "qos.classes[0].ceiling_bps",
     "expected 4000000 (qos.uplink_bps) or less"),
    ("dscp: [df]", "dscp: [af11]", "classes:", "qos.classes", "no class has df"),
    ("dscp: [df]", "dscp: [df, cs5]", "cs5], guaranteed_bps: 500000", "qos.classes[1].dscp[1]",
     "code point cs5 stands twice"),
    ("trusted: [staff]", "trusted: [staff, stuff]", "stuff]", "qos.trusted[1]", "nearest: staff"),
    ("  trusted: [staff]\n", "", "qos:", "qos", "trusted names no segment"),
    ("name: rest", "name: voice", "name: voice, dscp: [df]", "qos.classes[1].name", "stands twice"),
    # alerts and operators
    ("condition: lockout", "condition: uplink_failover", "condition: uplink_failover", "alerts.conditions[1].condition",
     "there is one uplink"),
    ("  lockout: {failures: 6, within_s: 300, block_s: 1800}\n  passwords: {policy: pci-dss-4}\n", "",
     "condition: lockout", "alerts.conditions[1].condition", "administration.lockout is not set"),
    ("threats: {segments: [staff], signatures: [test-file], action: drop}\n", "", "condition: threat",
     "alerts.conditions[2].condition", "threats is not set"),
    ("condition: lockout", "condition: threat", "condition: threat, within_s: 10}\noperators",
     "alerts.conditions[2].condition",
     "condition threat stands twice"),
    ("within_s: 20}", "within_s: 5.9}", "within_s: 5.9}", "alerts.conditions[0].within_s", "management.heartbeat_s"),
    ("webhook: http://", "webhook: ftp://", "webhook: ftp", "alerts.webhook", "http or https"),
    ("https://id.skerry", "http://id.skerry", "issuer:", "operators.issuer", "https://HOST"),
    ("https://id.skerry-line.example", "https://192.0.2.1", "issuer:", "operators.issuer", "expected a host name"),
    ("http://alerts.skerry-line.example/", "http://192.0.2.1/", "webhook:", "alerts.webhook", "expected a host name"),
    ("port: 443\n", "port: 8443\n", "port: 8443", "bootstrap[0].port", "the operators' own"),
    ("https://id.skerry-line.example", "https://boot.skerry-line.example/id", "issuer:", "operators.issuer",
     "is a bootstrap server already"),
]  # fmt: skip


@pytest.mark.parametrize("slip", [s for s in SLIPS if s[2]], ids=lambda slip: f"{slip[3]}-{slip[1]:.24}")
def test_a_contradiction_is_found_at_its_place(profile, slip):
    old, new, needle, key, words = slip
    edit(profile, (old, new))
    found = complaints(profile)
    lines = [line for line in found if f" {key}: " in line and words in line]
    assert len(lines) == 1, found
    assert lines[0].startswith(f"{profile}:{place(profile, needle)} ")


@pytest.mark.parametrize("slip", [s for s in SLIPS if not s[2]], ids=lambda slip: f"{slip[1]:.24}")
def test_a_change_that_contradicts_nothing_is_taken(profile, slip):
    edit(profile, (slip[0], slip[1]))
    assert load_profile(profile).profile.qos is not None


UNWISE = [  # (old, new, words)
    ("passwords: {policy: pci-dss-4}", "passwords: {policy: nist-sp-800-63b}", None),
    ('  admission: {method: dot1x, eap: [tls, peap], refused: deny, unreachable: deny}\n', "",
     "nobody asks this server"),
    ("reach_from: [hq]\n  contact", "reach_from: [hq, guest]\n  contact", "every one of them reaches monitoring"),
    ("reach_from: [hq]\n  methods", "reach_from: [guest]\n  methods", "every one of them reaches administration"),
    ("uplink_bps: 4000000", "uplink_bps: 9000000", "the carrier gives 6000000 bit/s here"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "words"), UNWISE)
def test_what_is_unwise_is_only_a_warning(profile, old, new, words):
    edit(profile, (old, new))
    warnings = [
        line for line in warnings_of(profile) if "guest, which may reach" not in line and "grey-holm" not in line
    ]
    assert any(words in line for line in warnings) if words else not warnings


def test_a_policy_that_wants_a_lockout_says_so(profile):
    edit(profile, ("  lockout: {failures: 6, within_s: 300, block_s: 1800}\n", ""),
         ("  - {condition: lockout, within_s: 10}\n", ""))  # fmt: skip
    assert any("8.3.4" in line for line in warnings_of(profile))


def test_an_uplink_above_the_default_record_is_told_at_the_site(profile):
    edit(profile, ("uplink_bps: 4000000", "uplink_bps: 16000000"))
    lines = [line for line in warnings_of(profile) if "the carrier gives 15000000 bit/s" in line]
    sites = profile.parent / KIOSK_SITES
    assert len(lines) == 2 and lines[0].startswith(f"{sites}:{place(sites, 'ossay-pier')} ")


@pytest.mark.parametrize("new", ["swordfish-7", "[swordfish-7]", "{swordfish-7: 1}"])
def test_a_radius_secret_written_out_is_refused_and_not_shown(profile, new):
    edit(profile, ('secret: "env:RADIUS"', f"secret: {new}"))
    found = complaints(profile)
    assert any(" radius.secret: " in line for line in found)
    assert "swordfish" not in "".join(found)


def test_both_demos_contradict_nothing():
    assert [str(w) for name in (KIOSK, OFFICE) for w in load_profile(DEMOS / name).warnings] == []
