"""Weakenings of the application firewall, each of which the check applications must notice. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Any

from emulators.common.controls import Application, Applications
from harness.core.app_names import find_spare_port
from harness.core.entries import Spoil


def _change(work: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, Any]], None]:
    return lambda config: work(config["applications"])


def _change_one(place: int, **fields: Any) -> Callable[[dict[str, Any]], None]:
    return _change(lambda control: control["allowed"][place].update(fields))


def list_spoils(control: Applications, bound: Collection[str]) -> tuple[Spoil, ...]:
    """Return the weakenings, the twin first. `bound`: segments behind the firewall with a client."""
    spare = f"tcp/{find_spare_port(control)}"
    extra = {"name": "extra", "by": "port", "open": [spare], "names": []}
    quic = {"name": "extra", "by": "port", "open": ["udp/443"], "names": []}
    found = [
        Spoil(f"{spare} open to every server", "applications.allowed", _change(lambda c: c["allowed"].append(extra))),
        Spoil("applications not looked at", "applications", lambda config: config.update(applications=None)),
    ]
    if not any("udp/443" in a.open for a in control.allowed):
        found.append(
            Spoil("QUIC open to every server", "applications.allowed", _change(lambda c: c["allowed"].append(quic)))
        )
    for name in [name for name in control.segments if name in bound and len(control.segments) > 1]:
        without = [other for other in control.segments if other != name]
        key = f"applications.segments[{control.segments.index(name)}]"
        found.append(Spoil(f"{name} not behind it", key, _change(lambda c, w=without: c.update(segments=w))))  # type: ignore[misc]
    for place, application in enumerate(control.allowed):
        found += _spoil_application(place, application, spare)
    return tuple(found)


def _spoil_application(place: int, application: Application, spare: str) -> Iterator[Spoil]:
    key, name = f"applications.allowed[{place}]", application.name
    yield Spoil(f"{name} not allowed", key, _change(lambda control: control["allowed"].pop(place)))
    if application.by == "port":
        return
    wider = [".example"]
    yield Spoil(f"{name} at {spare} too", f"{key}.open", _change_one(place, open=[*application.open, spare]))
    yield Spoil(f"{name} by any name", f"{key}.by", _change_one(place, by="port", names=[]))
    yield Spoil(f"{name} by every name in .example", f"{key}.names", _change_one(place, names=wider))
    for nth, one in enumerate(application.names):
        other = one.removeprefix(".") if one.startswith(".") else f".{one}"
        names = [*application.names[:nth], other, *application.names[nth + 1 :]]
        yield Spoil(f"{name} by {other}", f"{key}.names[{nth}]", _change_one(place, names=names))
