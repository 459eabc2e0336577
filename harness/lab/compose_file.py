"""Strict reader of the topology file. Layer: lab; reads one file, else pure.

The file is in the Compose specification's words (compose-spec, 05-services, 06-networks, 07-volumes, 09-secrets); this
reader knows the part of them that the lab uses, and refuses the rest by name. Variables ``${NAME:-default}`` are
understood in a secret's `file` only. Not here: what the records mean (topology.py).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import yaml

from harness.errors import LabError
from harness.lab.topology import (
    BRIDGE_NAME_MAX,
    BRIDGE_OPTION,
    Attachment,
    Device,
    Mount,
    Network,
    SecretUse,
    Service,
    Topology,
    Volume,
)

LAB_FILE = Path(__file__).resolve().parents[2] / "compose" / "lab.yaml"
SERVICE_KEYS = frozenset(
    {"image", "command", "network_mode", "networks", "cap_add", "cap_drop", "security_opt", "read_only", "stdin_open"}
    | {"dns", "devices", "tmpfs", "sysctls", "volumes", "secrets", "depends_on", "stop_grace_period"}
)
_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*):-([^}]*)\}")
_SECONDS = re.compile(r"(\d+(?:\.\d+)?)(ms|s|m)")
_UNITS = {"ms": 0.001, "s": 1.0, "m": 60.0}


class _StrictLoader(yaml.SafeLoader):
    """SafeLoader that refuses a key given twice in one mapping; YAML 1.1 merges (``<<``) stay possible."""

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Any, Any]:
        """Build a mapping. Raises: yaml.MarkedYAMLError at a double key."""
        seen: set[str] = set()
        for key, _ in node.value if isinstance(node, yaml.MappingNode) else ():
            if key.value in seen:
                raise yaml.MarkedYAMLError(problem=f"key {key.value!r} is given twice", problem_mark=key.start_mark)
            seen.add(key.value)
        return super().construct_mapping(node, deep)


class _Reader:
    """Walks the parsed file; every complaint names file and key path."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def refuse(self, where: str, expected: str, seen: object) -> LabError:
        return LabError(
            expected=expected,
            seen=f"{seen!r:.120}",
            where=f"{self.path} {where}".rstrip(),
            hint="correct the topology file, or teach harness/lab/compose_file.py the key: it never ignores one",
        )

    def mapping(self, value: Any, where: str, keys: frozenset[str] | None = None) -> dict[str, Any]:
        if not isinstance(value, dict) or not all(isinstance(k, str) for k in value):
            raise self.refuse(where, "a mapping", value)
        for key in value:
            if keys is not None and key not in keys:
                raise self.refuse(f"{where}.{key}".lstrip("."), f"one of the keys {', '.join(sorted(keys))}", key)
        return value

    def text(self, value: Any, where: str) -> str:
        if not isinstance(value, str) or not value:
            raise self.refuse(where, "a text", value)
        if "$" in value:
            raise self.refuse(where, "no variable (they are understood in secrets' files only)", value)
        return value

    def texts(self, value: Any, where: str) -> tuple[str, ...]:
        if not isinstance(value, list):
            raise self.refuse(where, "a list", value)
        return tuple(self.text(item, f"{where}[{i}]") for i, item in enumerate(value))

    def flag(self, value: Any, where: str) -> bool:
        if not isinstance(value, bool):
            raise self.refuse(where, "true or false", value)
        return value

    def parts(self, value: Any, where: str, separator: str, count: int) -> list[str]:
        text = self.text(value, where)
        split = text.split(separator, count - 1)
        if len(split) != count or not all(split):
            raise self.refuse(where, f"{count} parts with {separator!r} between", value)
        return split

    def seconds(self, value: Any, where: str) -> float:
        match = _SECONDS.fullmatch(self.text(value, where))
        if match is None:
            raise self.refuse(where, "a length of time such as 1s", value)
        return float(match[1]) * _UNITS[match[2]]

    def address(self, value: Any, where: str) -> str:
        try:
            return str(ipaddress.IPv4Address(self.text(value, where)))
        except ValueError as error:
            raise self.refuse(where, "an IPv4 address", value) from error


def load_topology(path: Path = LAB_FILE, environment: Mapping[str, str] = MappingProxyType({})) -> Topology:
    """Read a topology file. `environment` is for the variables in secrets' files. Raises: LabError."""
    reader = _Reader(path)
    try:
        tree = yaml.load(path.read_text(encoding="utf-8"), _StrictLoader)
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        raise reader.refuse("", "a YAML file", str(error)) from error
    top = {k: v for k, v in reader.mapping(tree, "").items() if not k.startswith("x-")}
    reader.mapping(top, "", frozenset({"services", "networks", "volumes", "secrets"}))
    services = {
        name: _service(reader, name, value, f"services.{name}")
        for name, value in reader.mapping(top.get("services", {}), "services").items()
    }
    volumes = {}
    for name, value in reader.mapping(top.get("volumes", {}), "volumes").items():
        reader.mapping({} if value is None else value, f"volumes.{name}", frozenset())
        volumes[name] = Volume(name, name)
    topology = Topology(services, _networks(reader, top), volumes, _secrets(reader, top, environment))
    _check(reader, topology)
    return topology


def _service(reader: _Reader, name: str, value: Any, where: str) -> Service:
    given = reader.mapping(value, where, SERVICE_KEYS)

    def texts(key: str) -> tuple[str, ...]:
        return reader.texts(given.get(key, []), f"{where}.{key}")

    attachments = []
    for network, end in reader.mapping(given.get("networks", {}), f"{where}.networks").items():
        at = f"{where}.networks.{network}"
        fields = reader.mapping(end, at, frozenset({"ipv4_address"}))
        attachments.append(Attachment(network, reader.address(fields.get("ipv4_address"), f"{at}.ipv4_address")))
    uses = []
    for i, item in enumerate(given.get("secrets", [])):
        fields = reader.mapping(item, f"{where}.secrets[{i}]", frozenset({"source", "target"}))
        uses.append(SecretUse(*(reader.text(fields.get(k), f"{where}.secrets[{i}].{k}") for k in ("source", "target"))))
    mode = given.get("network_mode")
    if mode not in (None, "host") or (mode and attachments):
        raise reader.refuse(f"{where}.network_mode", "host, or nothing; not beside networks", mode)
    return Service(
        name=name,
        engine_name=name,
        image=reader.text(given.get("image"), f"{where}.image"),
        command=texts("command") if "command" in given else None,
        network_mode=mode,
        attachments=tuple(attachments),
        cap_add=texts("cap_add"),
        cap_drop=texts("cap_drop"),
        security_opt=texts("security_opt"),
        read_only=reader.flag(given.get("read_only", False), f"{where}.read_only"),
        stdin_open=reader.flag(given.get("stdin_open", False), f"{where}.stdin_open"),
        dns=texts("dns"),
        devices=tuple(Device(*reader.parts(d, f"{where}.devices", ":", 3)) for d in texts("devices")),
        tmpfs=texts("tmpfs"),
        sysctls=dict(reader.parts(s, f"{where}.sysctls", "=", 2) for s in texts("sysctls")),
        mounts=tuple(Mount(*reader.parts(v, f"{where}.volumes", ":", 2)) for v in texts("volumes")),
        secrets=tuple(uses),
        depends_on=texts("depends_on"),
        stop_grace_s=reader.seconds(given.get("stop_grace_period", "10s"), f"{where}.stop_grace_period"),
    )


def _networks(reader: _Reader, top: dict[str, Any]) -> dict[str, Network]:
    networks = {}
    for name, value in reader.mapping(top.get("networks", {}), "networks").items():
        where = f"networks.{name}"
        given = reader.mapping(value, where, frozenset({"driver", "driver_opts", "ipam"}))
        options = reader.mapping(given.get("driver_opts", {}), f"{where}.driver_opts")
        opts = {key: reader.text(option, f"{where}.driver_opts.{key}") for key, option in options.items()}
        bridge = opts.get(BRIDGE_OPTION, "")
        if not 0 < len(bridge) <= BRIDGE_NAME_MAX:
            raise reader.refuse(f"{where}.driver_opts", f"{BRIDGE_OPTION} of 1 to {BRIDGE_NAME_MAX} characters", bridge)
        ipam = reader.mapping(given.get("ipam"), f"{where}.ipam", frozenset({"config"}))
        config = ipam.get("config")
        if not isinstance(config, list) or len(config) != 1:
            raise reader.refuse(f"{where}.ipam.config", "a list of one", config)
        pool = reader.mapping(config[0], f"{where}.ipam.config[0]", frozenset({"subnet"}))
        try:
            subnet = ipaddress.IPv4Network(reader.text(pool.get("subnet"), f"{where}.ipam.config[0].subnet"))
        except ValueError as error:
            raise reader.refuse(f"{where}.ipam.config[0].subnet", "an IPv4 network", pool.get("subnet")) from error
        networks[name] = Network(name, name, reader.text(given.get("driver"), f"{where}.driver"), opts, str(subnet))
    return networks


def _secrets(reader: _Reader, top: dict[str, Any], environment: Mapping[str, str]) -> dict[str, str]:
    files = {}
    for name, value in reader.mapping(top.get("secrets", {}), "secrets").items():
        file = reader.mapping(value, f"secrets.{name}", frozenset({"file"})).get("file")
        if not isinstance(file, str) or not file:
            raise reader.refuse(f"secrets.{name}.file", "a path", file)
        # As the Compose specification has it (12-interpolation): with ":-", empty counts as unset.
        files[name] = _VARIABLE.sub(lambda match: environment.get(match[1]) or match[2], file)
        if "$" in files[name]:
            raise reader.refuse(f"secrets.{name}.file", "variables of the form ${NAME:-default} only", file)
    return files


def _check(reader: _Reader, topology: Topology) -> None:
    """Hold the references of the file to what it defines."""
    addresses: dict[str, str] = {}
    for service in topology.services.values():
        where = f"services.{service.name}"
        for key, used, known in (
            ("networks", [a.network for a in service.attachments], topology.networks),
            ("volumes", [m.volume for m in service.mounts], topology.volumes),
            ("secrets", [s.source for s in service.secrets], topology.secrets),
            ("depends_on", list(service.depends_on), topology.services),
        ):
            for name in used:
                if name not in known:
                    raise reader.refuse(f"{where}.{key}", f"a name defined under {key}", name)
        for end in service.attachments:
            subnet = ipaddress.IPv4Network(topology.networks[end.network].subnet)
            # The first host of a subnet is the engine's own (its gateway).
            if ipaddress.IPv4Address(end.address) not in list(subnet.hosts())[1:]:
                raise reader.refuse(f"{where}.networks.{end.network}", f"a host of {subnet} but the first", end.address)
            if end.address in addresses:
                raise reader.refuse(f"{where}.networks.{end.network}", f"not {addresses[end.address]}'s", end.address)
            addresses[end.address] = service.name
