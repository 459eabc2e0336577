"""Names and addresses that the application firewall is tried with. Layer: core, pure.

Each allowed name leads to an address of the bench's internet, those of one application to the same; others, that are
allowed to nobody, lead elsewhere. The addresses lie in RFC 2544's block, on the bench's ``inet`` link (DEVELOPERS.md,
"Links").
"""

from __future__ import annotations

from emulators.common.controls import ANY, Application, Applications

HOSTS = tuple(f"198.18.0.{host}" for host in range(60, 76))
"""Where allowed names lead: one address an application, the first again where there are more."""
BELOW_HOSTS = ("198.18.0.76", "198.18.0.77")
"""Where names below an allowed one lead that goes by DNS: elsewhere than it, so that each is told apart."""
OTHER_HOST, SUB_HOST = "198.18.0.78", "198.18.0.79"
"""Where a name leads that no application allows, and the sub-domains of those that are allowed."""
OTHER_NAME = "elsewhere.example"
HTTPS_PORT = 443  # RFC 9110 section 4.2.2
SPARE_PORTS = (8443, 9443, 10443, 11443, 12443)
LONGEST_LABEL, LONGEST_NAME = 63, 253  # RFC 1035 section 2.3.4, of the text


def list_hosts(application: Application) -> tuple[str, ...]:
    """Return names to try: each one itself, and for one with a leading dot a name below it too."""
    found: list[str] = []
    for name in application.names:
        bare = name.lower().removeprefix(".")
        found += [bare, f"www.{bare}"] if name.startswith(".") else [bare]
    return tuple(dict.fromkeys(name for name in found if is_name(name)))


def list_strangers(control: Applications, application: Application) -> tuple[str, ...]:
    """Return names that look like an application's and are allowed to nobody: below one, longer in front, longer
    behind."""
    found: list[str] = []
    for name in application.names:
        bare = name.lower().removeprefix(".")
        found += [f"sub.{bare}", f"x{bare}", f"{bare}.{OTHER_NAME}"]
    return tuple(dict.fromkeys(name for name in found if is_name(name) and not is_known(control, name)))


def is_known(control: Applications, name: str) -> bool:
    """Say whether any application allows a name."""
    return any(matches(allowed, name) for application in control.allowed for allowed in application.names)


def matches(allowed: str, name: str) -> bool:
    """Say whether an allowed name means another: itself, or with a leading dot a sub-domain too."""
    bare = allowed.lower().removeprefix(".")
    return name == bare or (allowed.startswith(".") and name.endswith(f".{bare}"))


def find_host(control: Applications, application: Application) -> str:
    """Return the address that an application's names lead to."""
    return HOSTS[control.allowed.index(application) % len(HOSTS)]


def build_app_zones(control: Applications) -> dict[str, str]:
    """Return the names that the bench's internet must know for this control, and where they lead."""
    zones = {OTHER_NAME: OTHER_HOST}
    for application in control.allowed:
        zones |= dict.fromkeys(list_strangers(control, application), SUB_HOST)
    for place, application in enumerate(control.allowed):
        own = {name.lower().removeprefix(".") for name in application.names}
        below = BELOW_HOSTS[place % len(BELOW_HOSTS)]
        for name in list_hosts(application):
            apart = application.by == "dns" and name not in own
            zones[name] = below if apart else find_host(control, application)
    return zones


def list_ports(control: Applications) -> tuple[int, ...]:
    """Return the TCP ports at which the bench's internet must answer: those of the applications by name, HTTPS, and
    one that is open to nobody."""
    ports = {HTTPS_PORT, find_spare_port(control)}
    for application in control.allowed:
        if application.by != "port":
            ports |= {port for protocol, port in list_services(application) if protocol == "tcp"}
    return tuple(sorted(ports))


def find_spare_port(control: Applications) -> int:
    """Return a port that no application opens."""
    opened = {port for application in control.allowed for _, port in list_services(application)}
    return next((port for port in SPARE_PORTS if port not in opened), SPARE_PORTS[0])


def list_services(application: Application) -> tuple[tuple[str, int], ...]:
    """Return protocol and port of an application's services that have one."""
    pairs = (service.partition("/") for service in application.open if service not in (ANY, "icmp"))
    return tuple((protocol, int(port)) for protocol, _, port in pairs)


def list_addresses(control: Applications) -> tuple[str, ...]:
    """Return every address that the bench's internet plays for this control."""
    used = {find_host(control, application) for application in control.allowed}
    below = BELOW_HOSTS if any(application.by == "dns" for application in control.allowed) else ()
    return (*sorted(used), *below, OTHER_HOST, SUB_HOST)


def is_name(text: str) -> bool:
    """Say whether a name is no longer than one may be."""
    return len(text) <= LONGEST_NAME and all(0 < len(label) <= LONGEST_LABEL for label in text.split("."))
