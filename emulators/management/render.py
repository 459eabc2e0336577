"""The conveyed information of this branch, from the server's settings. Layer: stand-in, pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from emulators.common.conveyed import BootImage, render_onboarding, wrap
from emulators.common.device_config import DeviceConfig, digest_config, render_config
from emulators.common.record import from_json


@dataclass(frozen=True, slots=True)
class Offer:
    """What the server has for the device. `artifact` is the CMS wrapper (DER) of the onboarding information."""

    artifact: bytes
    digest: str
    configuration_bytes: int


MIRROR_PORT = 8444
"""Where images are served with TLS: our choice, beside 443 (bootstrap) and 8443 (operators)."""


def build_uris(uri_host: str, os_name: str, release: str) -> tuple[str, ...]:
    """Return the mirrors of one image, best first: HTTPS, then HTTP (the image is signed and its hash conveyed)."""
    host, path = uri_host.partition(":")[0], image_path(os_name, release)
    return f"https://{host}:{MIRROR_PORT}{path}", f"http://{host}{path}"


def image_path(os_name: str, release: str) -> str:
    return f"/images/{os_name}-{release}.img"


def build_offer(settings: Mapping[str, Any]) -> Offer:
    """Return the offer. Raises: RecordError when `config` is not a DeviceConfig."""
    return build_offer_of(render_config(from_json(DeviceConfig, settings["config"], "config")), settings)


def build_offer_of(configuration: bytes, settings: Mapping[str, Any]) -> Offer:
    """Return the offer of a document, whatever it holds, with the settings' image."""
    firmware = settings["firmware"]
    names = (firmware["os_name"], firmware["release"])
    uris = build_uris(firmware["uri_host"], *names)
    image = BootImage(*names, uris, bytes.fromhex(firmware["sha256"]))
    return Offer(wrap(render_onboarding(image, configuration)), digest_config(configuration), len(configuration))
