"""The built images, in containers without any network: the device clock's preload, and what each image must hold."""

import json
from collections.abc import Iterator
from typing import Any

import docker
import pytest

from harness.setup.builder import Builder
from harness.setup.images import BASE, INPUTS_LABEL, STAND_INS, collect_files, ensure_images

pytestmark = pytest.mark.lab
NS_PER_S = 1_000_000_000

# Runs under the preload. The true time comes by the bare system call (clock_gettime(2), number by machine), which no
# preload can reach. Steps the clock by writing the file, as the device does, and looks again from the same process.
CLOCK_SCRIPT = """
import ctypes, json, os, platform, struct, subprocess, sys, time
libc = ctypes.CDLL(None)
number = {"x86_64": 228, "aarch64": 113}[platform.machine()]  # asm/unistd.h
def true_ns(clock):
    out = (ctypes.c_long * 2)()
    assert libc.syscall(number, clock, out) == 0
    return out[0] * 10**9 + out[1]
class Timeval(ctypes.Structure):
    _fields_ = [("s", ctypes.c_long), ("us", ctypes.c_long)]
def look():
    libc.time.restype = ctypes.c_long
    timeval, spec = Timeval(), (ctypes.c_long * 2)()
    libc.gettimeofday(ctypes.byref(timeval), None)
    assert libc.timespec_get(spec, 1) == 1
    date = subprocess.run(["date", "+%s"], capture_output=True, text=True, check=True).stdout
    return {
        "time_ns": time.time_ns() - true_ns(0), "coarse": time.clock_gettime_ns(5) - true_ns(0),
        "time": libc.time(None) * 10**9 - true_ns(0), "date": int(date) * 10**9 - true_ns(0),
        "gettimeofday": timeval.s * 10**9 + timeval.us * 1000 - true_ns(0),
        "timespec_get": spec[0] * 10**9 + spec[1] - true_ns(0),
        "monotonic": time.monotonic_ns() - true_ns(1), "boottime": time.clock_gettime_ns(7) - true_ns(7),
    }
seen = {"absent": look()}
time.sleep(1.1)  # a file that was not there is looked for once a second
with open(os.environ["BENCH_CLOCK_FILE"], "wb", buffering=0) as file:
    for offset_ns in json.loads(sys.argv[1]):
        file.seek(0)
        file.write(struct.pack("<q", offset_ns))
        seen[str(offset_ns)] = look()
began = time.monotonic_ns()
time.sleep(0.1)
seen["slept_ns"] = time.monotonic_ns() - began
print(json.dumps(seen))
"""
OFFSETS_NS = [0, -190_080_000 * NS_PER_S, 12_345_678_901, -2_000_000_000 * NS_PER_S]  # the last: before 1970
SLACK_NS = {"time": NS_PER_S, "date": NS_PER_S, "coarse": 20_000_000}
"""How far a reading may lie from truth plus offset: whole seconds are cut; a coarse clock steps with the kernel's tick
(time(7): at most 10 ms); else what passes between two readings."""
READING_NS = 200_000_000


@pytest.fixture(scope="module")
def engine() -> Iterator[Any]:
    client = docker.from_env()
    yield client
    client.close()


@pytest.fixture(scope="module", autouse=True)
def built() -> None:
    builder = Builder()
    ensure_images(builder, print)
    builder.close()


def run(engine: Any, image: str, command: list[str], environment: dict[str, str] | None = None) -> str:
    """Run a command under the lab's own restrictions: no network, no rights, nothing to write but /run and /tmp."""
    output: bytes = engine.containers.run(
        image, command, remove=True, network_mode="none", read_only=True, cap_drop=["ALL"],
        security_opt=["no-new-privileges:true"], tmpfs={"/run": "", "/tmp": ""}, environment=environment or {},
        labels={"branchproof.test": "setup"},
    )  # fmt: skip
    return output.decode()


def test_device_clock_moves_real_time_and_nothing_else(engine: Any) -> None:
    preload = {"LD_PRELOAD": "/usr/lib/branchproof/devclock.so", "BENCH_CLOCK_FILE": "/run/devclock"}
    command = ["python3", "-c", CLOCK_SCRIPT, json.dumps(OFFSETS_NS)]
    seen = json.loads(run(engine, "branchproof/router:bench", command, preload))
    for key, offset_ns in {"absent": 0, **{str(value): value for value in OFFSETS_NS}}.items():
        for reading in ("time_ns", "gettimeofday", "timespec_get", "coarse", "time", "date"):
            error_ns = seen[key][reading] - offset_ns
            assert -SLACK_NS.get(reading, 0) - READING_NS < error_ns < READING_NS, (key, reading)
        for untouched in ("monotonic", "boottime"):
            assert abs(seen[key][untouched]) < READING_NS, (key, untouched)
    assert 100_000_000 <= seen["slept_ns"] < 100_000_000 + READING_NS


SNMP = (  # pysnmp swallows a failed import of its ciphers and says so only when they are used
    "import pysnmp.hlapi.v3arch.asyncio; from pysnmp.proto.secmod.rfc3826.priv import aes;"
    " assert not aes.PysnmpCryptoError"
)
HOLDS = {
    "base": "for p in ip nft tcpdump ping; do command -v $p; done; python3 -c 'import cryptography, dns, asn1crypto'",
    "router": "for p in charon-systemd swanctl dnsmasq chronyd sshd snmpd rsyslogd udhcpc; do command -v $p; done;"
    " ls /usr/lib/ipsec/plugins/libstrongswan-kernel-libipsec.so; python3 -c 'import serial, aiohttp, vici'",
    "carrier": "command -v dnsmasq",
    "internet": "command -v dnsmasq; command -v chronyd; python3 -c 'import aiohttp'",
    "management": "python3 -c 'import aiohttp'",
    "hq": "for p in charon-systemd swanctl; do command -v $p; done;"
    " ls /usr/lib/ipsec/plugins/libstrongswan-kernel-libipsec.so; python3 -c 'import vici, aiohttp, paramiko;"
    f" {SNMP}'",
    "client": "command -v udhcpc; python3 -c 'import paramiko; " + SNMP + "'",
}


@pytest.mark.parametrize("recipe", [BASE, *STAND_INS], ids=lambda recipe: recipe.name)
def test_image_holds_its_programs_and_no_surprise(engine: Any, recipe: Any) -> None:
    run(engine, recipe.tag, ["sh", "-ec", HOLDS[recipe.name]])
    surprises = "find / -xdev -perm /6000 -type f; find /opt/branchproof ! -perm -o+r; ls /etc/ssh/ssh_host_* || true"
    assert run(engine, recipe.tag, ["sh", "-c", surprises]) == ""
    files = [name.removeprefix("opt/") for name in collect_files(recipe) if name.startswith("opt/")]
    listing = run(engine, recipe.tag, ["sh", "-c", "cd /opt/branchproof && find . -type f ! -name '*.pyc'"])
    assert sorted(line.removeprefix("./") for line in listing.split()) == sorted(files)


def test_equal_inputs_build_nothing(engine: Any) -> None:
    said: list[str] = []
    builder = Builder()
    ensure_images(builder, print)  # somebody may have edited a file since this module began
    before = {recipe.tag: engine.images.get(recipe.tag).id for recipe in (BASE, *STAND_INS)}
    ensure_images(builder, said.append)
    builder.close()
    assert said == []
    assert before == {tag: engine.images.get(tag).id for tag in before}
    assert all(INPUTS_LABEL in engine.images.get(tag).labels for tag in before)
