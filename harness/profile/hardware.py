"""The hardware classes that a profile may name, as data. Layer: profile, pure.

The classes are invented: they stand for what branch routers of the trade are made of, and no maker's. A class's waits
are those of the field; `fast` compresses them, and nothing else differs between the paces.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.model import HardwareClass, Pace, Waits

MIB = 1024 * 1024

_SLOT_BYTES = 32 * MIB  # common practice, no source: room for a small system image, twice in one flash chip
_IMAGE_BYTES = 4 * MIB  # about 1 s over a 40 Mbit/s cell: long enough to be interrupted, short enough for every run
_FIELD = Waits(boot_s=45.0, modem_registration_s=20.0, flash_write_s=25.0, trial_s=900.0)  # common practice, no source
_FAST = Waits(boot_s=0.2, modem_registration_s=0.2, flash_write_s=0.8, trial_s=45.0)
"""Not zero: the order stays the field's. A write takes as long as a power cut needs to find it under way, a trial three
times what a loaded bench needs from a release's start to its check-in."""
_FACTORY_RELEASE = "1.0.0"
_NO_BATTERY = "2019-03-01T00:00:00Z"  # common practice, no source: a clock without battery starts at its build date


@dataclass(frozen=True, slots=True)
class Hardware:
    """A class, with its waits in the field and on the fast bench."""

    made_of: HardwareClass
    field: Waits
    fast: Waits

    def get_waits(self, pace: Pace) -> Waits:
        """Return the waits of a pace."""
        return self.field if pace == "field" else self.fast


def _hardware(name: str, *, lan_ports: int, sim_slots: int, ethernet_wan: bool) -> Hardware:
    made_of = HardwareClass(
        name=name,
        lan_ports=lan_ports,
        sim_slots=sim_slots,
        ethernet_wan=ethernet_wan,
        slot_bytes=_SLOT_BYTES,
        image_bytes=_IMAGE_BYTES,
        factory_release=_FACTORY_RELEASE,
        clock_at_power_on=_NO_BATTERY,
    )
    return Hardware(made_of, _FIELD, _FAST)


HARDWARE = {
    hardware.made_of.name: hardware
    for hardware in (
        _hardware("coastal-4", lan_ports=4, sim_slots=2, ethernet_wan=True),
        _hardware("mainland-4", lan_ports=4, sim_slots=1, ethernet_wan=True),
        _hardware("islet-2", lan_ports=2, sim_slots=1, ethernet_wan=False),
    )
}
