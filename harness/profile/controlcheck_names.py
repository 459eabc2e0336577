"""Controls that go by names: application firewall, web filter, threat detection. Layer: profile, pure.

Two kinds of contradiction: a control that would shut out what the router or its management lives by (the bootstrap
servers, the gateway, time, names, logs, alerts, sign-in), and a rule that could never match. Not here: the matrix and
the other controls (controlcheck.py).
"""

from __future__ import annotations

from harness.profile.crosscheck import segment_names
from harness.profile.explain import nearest
from harness.profile.marked import Path
from harness.profile.view import View

RESOLVER_SERVICES = {"tcp/53", "udp/53", "tcp/853", "udp/853"}
"""DNS (RFC 1035), DNS over TLS (RFC 7858) and over QUIC (RFC 9250): what the web filter refuses to other resolvers."""


def check_named_controls(view: View) -> None:
    """Check the three controls, and whom the uplink's classes trust."""
    _check_web_filter(view)
    _check_applications(view)
    check_segments(view, ("threats", "segments"))
    check_segments(view, ("qos", "trusted"))
    view.complain_twice(view.texts("threats", "signatures"), "signature")


def needed_hosts(view: View) -> list[tuple[Path, str, str]]:
    """Return path, host (small letters) and meaning of each host that router or management cannot do without."""
    found: list[tuple[Path, str | None, str]] = [
        (("tunnel", "gateway"), view.text("tunnel", "gateway"), "the tunnel's gateway"),
        (("logging", "server"), view.text("logging", "server"), "the log server"),
        (("radius", "server"), view.text("radius", "server"), "the RADIUS server"),
        (("uplinks", "health", "target"), view.text("uplinks", "health", "target"), "the uplinks' health target"),
    ]
    for server in view.items("bootstrap"):
        found.append(((*server, "address"), view.text(*server, "address"), "a bootstrap server"))
    found += [(path, host, "a time server") for path, host in view.texts("time_servers")]
    found += [(path, host, "a name server") for path, host in view.texts("name_servers")]
    for path, what in ((("alerts", "webhook"), "the alerts' webhook"), (("operators", "issuer"), "the tokens' issuer")):
        url = view.text(*path) or ""
        found.append((path, url.partition("://")[2].partition("/")[0].partition(":")[0] or None, what))
    return [(path, host.lower(), what) for path, host, what in found if host]


def covers(blocked: str, name: str) -> bool:
    """Say whether a blocked name means another one: itself, or a sub-domain of it."""
    bare = blocked.lower().removeprefix(".")
    return name == bare or name.endswith(f".{bare}")


# ---------------------------------------------------------------- the web filter


def _check_web_filter(view: View) -> None:
    place: Path = ("web_filter",)
    if not view.keys(*place):
        return
    check_segments(view, (*place, "segments"))
    categories = view.items(*place, "blocked")
    view.complain_twice([((*c, "name"), view.text(*c, "name")) for c in categories], "category")
    blocked = _blocked_names(view)
    view.complain_twice([(path, name.lower().removeprefix(".")) for path, name in blocked], "name")
    needed = needed_hosts(view)
    for path, name in blocked:
        for where, host, what in needed:
            if covers(name, host):
                line = view.marked.find_mark(where).line
                view.error(path, f"blocks {host}, {what} (line {line})")
    resolvers = view.texts(*place, "encrypted_resolvers")
    view.complain_twice([(path, name.lower()) for path, name in resolvers], "resolver")
    for path, name in resolvers:
        for where, host, what in needed:
            if name.lower() == host:
                line = view.marked.find_mark(where).line
                view.error(path, f"shuts out {host}, {what} (line {line})")


def _blocked_names(view: View) -> list[tuple[Path, str]]:
    return [named for c in view.items("web_filter", "blocked") for named in view.texts(*c, "names")]


def check_segments(view: View, place: Path) -> None:
    """Check a list of segments' names."""
    names = segment_names(view)
    listed = view.texts(*place)
    view.complain_twice(listed, "segment")
    for path, name in listed:
        if name not in names:
            view.error(path, f"no segment here is called {name!r}{nearest(name, names)}")


# ---------------------------------------------------------------- the application firewall


def _check_applications(view: View) -> None:
    place: Path = ("applications",)
    if not view.keys(*place):
        return
    check_segments(view, (*place, "segments"))
    for path, name in view.texts(*place, "segments"):
        if name in segment_names(view) and _opened_services(view, name) is None:
            view.error(path, f"{name} may not reach internet at all: no application can ever be used there")
    allowed = view.items(*place, "allowed")
    view.complain_twice([((*a, "name"), view.text(*a, "name")) for a in allowed], "application")
    for application in allowed:
        by = view.text(*application, "by")
        if by is not None:
            _check_means(view, application, by)
        _check_services(view, application)
        _check_unblocked(view, application)
    _check_overruled(view, allowed)


def _check_means(view: View, application: Path, by: str) -> None:
    names, services = view.texts(*application, "names"), view.texts(*application, "open")
    path = (*application, "names") if view.get((*application, "names")) is not None else (*application, "by")
    if by in ("tls", "dns") and not names:
        view.error(path, f"can never match: by {by} goes by `names`, and there is none")
    if by == "port" and names:
        view.error(path, "by port looks at no names: leave them out, or say by tls or dns")
    for where, service in services:
        if by == "tls" and not service.startswith("tcp/"):
            text = f"can never match: a server name is read from TLS over TCP, expected tcp/PORT, saw {service}"
            view.error(where, text)
        if by == "port" and service == "any":
            view.error(where, "allows everything everywhere: nothing would be left to the firewall")
    view.complain_twice(services, "service")
    view.complain_twice([(where, name.lower()) for where, name in names], "name")


def _opened_services(view: View, segment: str) -> set[str] | None:
    """Return what a segment may open on the internet by the matrix, or None where nothing."""
    found: set[str] | None = None
    for place in view.items("segments"):
        if view.text(*place, "name") != segment:
            continue
        for row in view.items(*place, "reach"):
            if view.text(*row) == "internet":
                found = (found or set()) | {"any"}
            elif view.text(*row, "to") == "internet":
                listed = {service for _, service in view.texts(*row, "open")}
                found = (found or set()) | (listed if view.get((*row, "open")) is not None else {"any"})
    return found


def _check_services(view: View, application: Path) -> None:
    """A service that the matrix opens in none of the segments can never be used."""
    segments = [name for _, name in view.texts("applications", "segments")]
    opened = [services for name in segments if (services := _opened_services(view, name)) is not None]
    filtered = {name for _, name in view.texts("web_filter", "segments")}
    for path, service in view.texts(*application, "open"):
        if opened and service != "any" and not any({"any", service} & services for services in opened):
            text = f"can never match: the matrix opens {service} on internet to none of {', '.join(segments)}"
            view.error(path, text)
        if service in RESOLVER_SERVICES and segments and set(segments) <= filtered:
            view.error(path, f"can never match: the web filter refuses other resolvers, by {service} too")


def _check_unblocked(view: View, application: Path) -> None:
    segments = {name for _, name in view.texts("applications", "segments")}
    if not segments & {name for _, name in view.texts("web_filter", "segments")}:
        return
    shut = [*_blocked_names(view), *view.texts("web_filter", "encrypted_resolvers")]
    for path, name in view.texts(*application, "names"):
        for where, blocked in shut:
            if covers(blocked, name.lower().removeprefix(".")):
                line = view.marked.find_mark(where).line
                view.error(path, f"can never match: the web filter blocks {blocked} (line {line})")


def _check_overruled(view: View, allowed: list[Path]) -> None:
    """An application by port lets every server through on it, so that names mean nothing there; twice is once."""
    by_port: dict[str, Path] = {}
    for application in allowed:
        if view.text(*application, "by") == "port":
            by_port |= {service: path for path, service in view.texts(*application, "open") if service not in by_port}
    said: list[tuple[Path, tuple[str, str]]] = []
    for application in allowed:
        if view.text(*application, "by") == "port":
            continue
        for path, service in view.texts(*application, "open"):
            if service in by_port:
                line = view.marked.find_mark(by_port[service]).line
                view.error(path, f"{service} is open by port to every server (line {line}): names mean nothing there")
            said += [(where, (name.lower(), service)) for where, name in view.texts(*application, "names")]
    first: dict[tuple[str, str], Path] = {}
    for where, pair in said:
        if pair in first and first[pair] != where:
            line = view.marked.find_mark(first[pair]).line
            view.error(where, f"{pair[0]} is allowed on {pair[1]} twice, first in line {line}")
        first.setdefault(pair, where)
