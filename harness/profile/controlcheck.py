"""Controls that contradict themselves or each other. Layer: profile, pure.

The matrix, network admission, administration, quality of service, alerts and operators. What has to do with names and
applications is in controlcheck_names.py. As in crosscheck.py, each check looks at what can be understood (view.py) and
makes up no mistakes of its own.
"""

from __future__ import annotations

import ipaddress

from emulators.common.controls import OPERATORS_PORT
from harness.profile.controlcheck_names import check_named_controls, needed_hosts
from harness.profile.crosscheck import reached_places, remote_networks, segment_names
from harness.profile.explain import nearest
from harness.profile.marked import Path
from harness.profile.sites import CARRIER_DEFAULTS
from harness.profile.view import View

MOST_FAILURES, LEAST_BLOCK_S = 10, 1800
"""PCI DSS 4.0.1, 8.3.4: locked out after not more than 10 attempts, for 30 minutes at least."""


def check_controls(view: View) -> None:
    """Check every control that the profile alone can show."""
    _check_matrix(view)
    for segment in view.items("segments"):
        _check_admission(view, segment)
    _check_radius(view)
    _check_administration(view)
    _check_qos(view)
    _check_alerts(view)
    _check_operators(view)
    check_named_controls(view)


def check_site_uplink(main: View, view: View, site: str) -> None:
    """Warn where the device would send more than the carrier's record gives the site: the queue is then the carrier's,
    which knows no classes."""
    shaped, order = main.number("qos", "uplink_bps"), [kind for _, kind in main.texts("uplinks", "order")]
    path: Path = ("sites", site, "on_record", "carrier", "up_bps")
    given = view.number(*path)
    on_record = given if given is not None else CARRIER_DEFAULTS["up_bps"]
    if shaped is None or "cellular" not in order or view.get(("sites", site)) is None or shaped <= on_record:
        return
    text = f"qos.uplink_bps is {shaped}, but the carrier gives {on_record} bit/s here: its queue knows no classes"
    view.warn(path if given is not None else ("sites", site), text)


# ---------------------------------------------------------------- the matrix


def _check_matrix(view: View) -> None:
    for segment in view.items("segments"):
        for row in view.items(*segment, "reach"):
            _check_services(view, (*row, "open"))


def _check_services(view: View, place: Path) -> None:
    services = view.texts(*place)
    view.complain_twice(services, "service")
    named = [service for _, service in services]
    if "any" in named and len(set(named)) > 1:
        path = next(path for path, service in services if service == "any")
        view.error(path, "any is all of them: name it alone, or leave it out")


# ---------------------------------------------------------------- admission


def _check_admission(view: View, segment: Path) -> None:
    place: Path = (*segment, "admission")
    if not view.keys(*place):
        return
    method = view.text(*place, "method") or "open"
    _check_means(view, place, method)
    view.complain_twice([(path, mac.lower()) for path, mac in view.texts(*place, "macs")], "address")
    view.complain_twice(view.texts(*place, "eap"), "EAP method")
    if view.get((*place, "unreachable")) is not None and method != "dot1x":
        view.error((*place, "unreachable"), f"method {method} asks no RADIUS server; only dot1x does")
    _check_refused(view, segment, method)


def _check_means(view: View, place: Path, method: str) -> None:
    """Each method has its own list, and no other."""
    for key, owner, what in (("macs", "mac", "an address"), ("eap", "dot1x", "an EAP method")):
        given = view.items(*place, key)
        if given and method != owner:
            view.error((*place, key), f"method {method} looks at no list of {key}; only {owner} does")
        if method == owner and not given:
            path = (*place, key) if view.get((*place, key)) is not None else (*place, "method")
            view.error(path, f"method {owner} needs at least {what} in `{key}`: nobody could ever get in")
    if method == "dot1x" and view.get(("radius",)) is None:
        view.error((*place, "method"), "method dot1x asks a RADIUS server, but the profile names none: add `radius`")


def _check_refused(view: View, segment: Path, method: str) -> None:
    path: Path = (*segment, "admission", "refused")
    own, refused, names = view.text(*segment, "name"), view.text(*path), segment_names(view)
    if refused is None or refused == "deny":
        return
    if method == "open":
        view.error(path, "method open refuses nobody")
    elif refused == own:
        view.error(path, f"a device that {own} refuses cannot land in {own}; say deny, or another segment")
    elif refused not in names:
        view.error(path, f"nothing here is called {refused!r}{nearest(refused, [*names, 'deny'])}")
    else:
        _check_landing(view, path, segment, refused)


def _check_landing(view: View, path: Path, segment: Path, refused: str) -> None:
    landing = next(s for s in view.items("segments") if view.text(*s, "name") == refused)
    asks = view.text(*landing, "admission", "method") or "open"
    if asks != "open":
        view.error(path, f"{refused} has an admission of its own ({asks}): who fails here would come in past it")
    here = {name for _, name in reached_places(view, segment)}
    more = [name for _, name in reached_places(view, landing) if name not in here]
    if more:
        text = f"a device that fails lands in {refused}, which may reach {', '.join(more)}; who passes may not"
        view.warn(path, text)


def _check_radius(view: View) -> None:
    if not view.keys("radius"):
        return
    methods = [view.text(*segment, "admission", "method") for segment in view.items("segments")]
    if "dot1x" not in methods:
        view.warn(("radius",), "no segment's admission is dot1x: nobody asks this server")
    path: Path = ("radius", "server")
    server, networks = view.address(*path), remote_networks(view)
    if server is not None and networks and not any(server in network for _, network in networks):
        view.error(path, f"{server} is in none of tunnel.remote_subnets: no question to it enters the tunnel")


# ---------------------------------------------------------------- administration


def _check_administration(view: View) -> None:
    place: Path = ("administration",)
    if not view.keys(*place):
        return
    view.complain_twice(view.texts(*place, "methods"), "method")
    policy = view.text(*place, "passwords", "policy")
    if policy == "pci-dss-4":
        _check_lockout(view, (*place, "lockout"))
    _check_own_passwords(view, (*place, "passwords"), policy)
    isolated = {view.text(*s, "name") for s in view.items("segments") if view.get((*s, "isolated")) is True}
    for section in ("administration", "monitoring"):
        for path, source in view.texts(section, "reach_from"):
            if source in isolated:
                view.warn(path, f"{source} keeps its clients from each other, yet every one of them reaches {section}")


def _check_lockout(view: View, place: Path) -> None:
    if view.get(place) is None:
        text = "policy pci-dss-4 wants failed log-ins to lock out (PCI DSS 4.0.1, 8.3.4): add administration.lockout"
        view.warn(("administration", "passwords", "policy"), text)
        return
    failures, block_s = view.number(*place, "failures"), view.get((*place, "block_s"))
    if failures is not None and failures > MOST_FAILURES:
        text = f"policy pci-dss-4 allows {MOST_FAILURES} at most (PCI DSS 4.0.1, 8.3.4), saw {failures}"
        view.error((*place, "failures"), text)
    if isinstance(block_s, int | float) and not isinstance(block_s, bool) and block_s < LEAST_BLOCK_S:
        text = f"policy pci-dss-4 wants {LEAST_BLOCK_S} s at least (PCI DSS 4.0.1, 8.3.4), saw {block_s:g}"
        view.error((*place, "block_s"), text)


def _check_own_passwords(view: View, place: Path, policy: str | None) -> None:
    own: Path = (*place, "own")
    given = view.get(own) is not None
    if policy == "own" and not given:
        view.error((*place, "policy"), "policy own needs its rules under `own`")
    if policy is not None and policy != "own" and given:
        view.error(own, f"policy {policy} has rules of its own; say policy own, or leave `own` out")
    least, most = view.number(*own, "least"), view.number(*own, "most")
    if least is not None and most is not None and least > most:
        view.error((*own, "least"), f"passwords of {least} characters are demanded, but only {most} must be taken")
    needs = view.texts(*own, "needs")
    view.complain_twice(needs, "kind of character")
    if least is not None and least < len({kind for _, kind in needs}):
        view.error((*own, "least"), f"{least} characters cannot hold a {' and a '.join(kind for _, kind in needs)}")


# ---------------------------------------------------------------- quality of service


def _check_qos(view: View) -> None:
    uplink, classes = view.number("qos", "uplink_bps"), view.items("qos", "classes")
    view.complain_twice([((*c, "name"), view.text(*c, "name")) for c in classes], "class")
    points = [point for c in classes for point in view.texts(*c, "dscp")]
    view.complain_twice(points, "code point")
    if points and "df" not in [name for _, name in points]:
        view.error(("qos", "classes"), "no class has df: nothing takes what no class names")
    if classes and not view.texts("qos", "trusted"):
        view.error(("qos",), "trusted names no segment: all would leave as df, and no other class be used")
    guaranteed = [rate for c in classes if (rate := view.number(*c, "guaranteed_bps")) is not None]
    if uplink is not None and sum(guaranteed) > uplink:
        text = f"the classes are guaranteed {sum(guaranteed)} bit/s together, but the uplink has {uplink}"
        view.error(("qos", "uplink_bps"), text)
    for place in classes:
        least, most = view.number(*place, "guaranteed_bps"), view.number(*place, "ceiling_bps")
        if least is not None and most is not None and most < least:
            view.error((*place, "ceiling_bps"), f"expected {least} (guaranteed_bps) or more, saw {most}")
        if uplink is not None and most is not None and most > uplink:
            view.error((*place, "ceiling_bps"), f"expected {uplink} (qos.uplink_bps) or less, saw {most}")


# ---------------------------------------------------------------- alerts and operators


SILENT_BEATS = 3
"""Heartbeats missed that make a device silent (emulators/management/alerts.py)."""


def _check_alerts(view: View) -> None:
    conditions = view.items("alerts", "conditions")
    view.complain_twice([((*c, "condition"), view.text(*c, "condition")) for c in conditions], "condition")
    impossible = {
        "uplink_failover": len(view.items("uplinks", "order")) < 2 and "there is one uplink: nothing to fail over to",
        "lockout": view.get(("administration", "lockout")) is None and "administration.lockout is not set",
        "threat": view.get(("threats",)) is None and "threats is not set",
    }
    beat = view.get(("management", "heartbeat_s"))
    for place in conditions:
        condition, within = view.text(*place, "condition"), view.get((*place, "within_s"))
        if why := impossible.get(condition or ""):
            view.error((*place, "condition"), f"{condition} can never occur: {why}")
        numbers = all(isinstance(n, int | float) and not isinstance(n, bool) for n in (beat, within))
        if condition == "device_silent" and numbers and within <= SILENT_BEATS * beat:
            least = f"{SILENT_BEATS} times management.heartbeat_s ({SILENT_BEATS * beat:g})"
            text = f"expected more than {least}, saw {within:g}: so long a device may be silent"
            view.error((*place, "within_s"), text)


def _check_operators(view: View) -> None:
    for section, key in (("alerts", "webhook"), ("operators", "issuer")):
        if is_address(_find_url_host(view.text(section, key)) or ""):
            view.error((section, key), "expected a host name: the bench answers for names, at addresses of its own")
    if view.keys("operators"):
        for server in view.items("bootstrap"):
            if view.number(*server, "port") == OPERATORS_PORT:
                text = f"port {OPERATORS_PORT} is the operators' own on this server; bootstrap needs another"
                view.error((*server, "port"), text)
    host = _find_url_host(view.text("operators", "issuer"))
    for path, needed, what in needed_hosts(view):
        if host and needed == host and path[0] != "operators":
            line = view.marked.find_mark(path).line
            text = f"{host} is {what} already (line {line}): the issuer of tokens is a server of its own"
            view.error(("operators", "issuer"), text)
            return


def is_address(host: str) -> bool:
    """Say whether a host is given by IPv4 address."""
    try:
        ipaddress.IPv4Address(host)
    except ValueError:
        return False
    return True


def _find_url_host(url: str | None) -> str | None:
    return url.partition("://")[2].partition("/")[0].partition(":")[0].lower() if url and "://" in url else None
