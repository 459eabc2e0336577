"""Names that the web filter is tried with, and where they lead on the bench. Layer: core, pure.

The bench's internet knows every blocked name, so that "blocked" is not "unknown", and names that look like one and are
none. The addresses lie in RFC 2544's block, on the bench's ``inet`` link (DEVELOPERS.md, "Links").
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

from emulators.common.controls import WebFilter

OTHER_RESOLVERS = ("198.18.0.53", "198.18.0.54")
"""Resolvers on the internet, asked in clear (RFC 1035), by TLS (RFC 7858) and by HTTPS (RFC 8484)."""
SITES = tuple(f"198.18.0.{host}" for host in range(80, 90))
"""Where blocked names, and those that look like them, lead."""
LONGEST_LABEL, LONGEST_NAME = 63, 253  # RFC 1035 section 2.3.4, of the text


def fold(name: str) -> str:
    """Return a configured name as one to ask for: small letters, no dot at either end."""
    return name.lower().strip(".")


def list_blocked(control: WebFilter) -> tuple[str, ...]:
    """Return every name of the categories, each once."""
    return tuple(dict.fromkeys(fold(name) for category in control.blocked for name in category.names))


def list_encrypted(control: WebFilter) -> tuple[str, ...]:
    """Return every encrypted resolver that is given by name, each once."""
    return tuple(dict.fromkeys(fold(name) for name in control.encrypted_resolvers if not _is_address(name)))


def is_blocked(control: WebFilter, name: str) -> bool:
    """Say whether a name is shut out: itself, or as a sub-domain of one."""
    shut = (*list_blocked(control), *list_encrypted(control))
    return any(fold(name) == other or fold(name).endswith(f".{other}") for other in shut)


def list_sub_domains(name: str) -> tuple[str, ...]:
    """Return a sub-domain, and one deeper."""
    return tuple(sub for sub in (f"www.{name}", f"a.b.{name}") if _is_name(sub))


def list_look_alikes(control: WebFilter, name: str) -> tuple[str, ...]:
    """Return names that hold a blocked one and are not blocked: longer in front, longer behind, or below another."""
    label, _, rest = name.partition(".")
    behind = f"{label}x.{rest}" if rest else f"{label}x"
    like = (f"x{name}", behind, f"{name}.allowed.example")
    return tuple(each for each in like if _is_name(each) and not is_blocked(control, each))


def build_web_zones(control: WebFilter) -> dict[str, str]:
    """Return the names that the bench's internet must know for this filter, and where they lead."""
    blocked = list_blocked(control)
    sites = [*blocked, *(sub for name in blocked for sub in list_sub_domains(name))]
    sites += [like for name in blocked for like in list_look_alikes(control, name)]
    zones = {name: SITES[place % len(SITES)] for place, name in enumerate(dict.fromkeys(sites))}
    return zones | find_resolvers(control)


def find_resolvers(control: WebFilter) -> dict[str, str]:
    """Return each encrypted resolver that is given by name, and the address that it has on the bench."""
    names: Iterable[str] = list_encrypted(control)
    return {name: OTHER_RESOLVERS[place % len(OTHER_RESOLVERS)] for place, name in enumerate(names)}


def _is_name(text: str) -> bool:
    return len(text) <= LONGEST_NAME and all(len(label) <= LONGEST_LABEL for label in text.split("."))


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
