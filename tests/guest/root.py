"""The disk of the guest: Debian 12 with systemd, Longsoak in /opt/longsoak, the shipped units.

What is fetched lies in .cache and is fetched once: Debian's packages, from where this machine's own
apt gets them, and the wheels Longsoak leans on. Longsoak itself is built from the working tree each
time.
"""

import re
import shutil
import sys
from pathlib import Path

from guest.rigtext import RIG_TEXT
from kernel import machine
from kernel.machine import MachineError, output

HERE = Path(__file__).resolve().parent
TOP = HERE.parents[1]
CACHE = HERE / ".cache"
SUITE, PYTHON = "bookworm", (3, 11)
PACKAGES = "dbus,iproute2,kmod,libgpiod2,python3,python3-venv,systemd-sysv,tzdata,udev"
SIZE = "1500M"
PASSWORD = "four words mean nothing here"  # noqa: S105 - of a machine that lives for minutes
RIG = "/var/lib/longsoak/rig.toml"

# Of these tests, what runs in the guest.
WITHIN = (
    *(f"guest/{name}.py" for name in ("agent", "board", "clock", "kept")),
    *("kernel/stub.py", "waiting.py"),
)
# Of the kernel's, in the guest: what udev loads by itself, and the pretended chip's.
MODULES = (
    *("virtio_pci", "virtio_blk", "virtio_net", "ext4", "crc32c_generic"),
    *("xhci_pci", "usbserial", "ftdi_sio", "i2c-stub", "i2c-dev", "lm75"),
)
AT_START = ("virtio_pci", "virtio_blk", "crc32c_generic", "ext4")

# The first process: there is nothing yet but the disk's modules.
INIT = """\
#!/bin/sh
/bin/busybox mkdir -p /proc /disk
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t devtmpfs devtmpfs /dev
for module in /modules/*; do /bin/busybox insmod $module; done
/bin/busybox mount -t ext4 /dev/vda /disk
/bin/busybox mount --move /dev /disk/dev
exec /bin/busybox switch_root /disk /sbin/init
"""

# The board: a pretended temperature chip on an I2C bus. Before the rig's own services, as on a
# board whose chips are soldered on.
BOARD = """\
[Unit]
Before=longsoak.service
[Service]
Type=oneshot
RemainAfterExit=true
ExecStart=/sbin/modprobe i2c-stub chip_addr=0x48
ExecStart=/sbin/modprobe i2c-dev
ExecStart=/sbin/modprobe lm75
Environment=PYTHONPATH=/root/tests
ExecStart=/usr/bin/python3 -m guest.board
[Install]
WantedBy=multi-user.target
"""

# What the tests ask through: a shell on the second serial port.
AGENT = """\
[Unit]
DefaultDependencies=false
After=local-fs.target systemd-udevd.service
[Service]
Environment=PYTHONPATH=/root/tests
ExecStart=/usr/bin/python3 -m guest.agent
Restart=always
[Install]
WantedBy=sysinit.target
"""

# As a user's own drop-in would: three minutes are long for a test.
SOON = """\
[Service]
WatchdogSec=30
LoadCredential=heartbeat:/root/heartbeat
"""
NETWORK = """\
[Match]
Type=ether
[Network]
Address=10.0.2.15/24
Gateway=10.0.2.2
"""


def make_disk() -> tuple[Path, Path, Path]:
    """The disk, the kernel, and what the kernel starts with.

    Raises
    ------
    MachineError
        Something is missing on this machine.
    """
    if sys.version_info[:2] != PYTHON:
        raise MachineError(f"the guest's Python is {PYTHON}: run the tests with the same one")
    tree, version = machine.kernel()
    CACHE.mkdir(exist_ok=True)
    base = _base()
    _install(base)
    _furnish(base)
    _modules(base, tree, version)
    disk = CACHE / "base.img"
    disk.unlink(missing_ok=True)
    output("mkfs.ext4", "-q", "-d", str(base), str(disk), SIZE)
    start = CACHE / "start.cpio"
    at_start = machine.modules_of(tree, version, AT_START)
    machine.pack_start(start, script=INIT, modules=at_start)
    return disk, tree / "boot" / f"vmlinuz-{version}", start


def _base() -> Path:
    """Debian, and an environment with all that Longsoak leans on."""
    base, half = CACHE / "base", CACHE / "half"
    if base.exists():
        return base
    if (half / "proc").is_mount():  # by one that was interrupted
        output("umount", str(half / "proc"))
    shutil.rmtree(half, ignore_errors=True)
    uris = output(
        *("apt-get", "indextargets", "--format", "$(REPO_URI)"),
        *("Created-By: Packages", "Component: main"),
    ).split()
    if not uris:
        raise MachineError("apt knows no archive: run apt-get update")
    output(
        *("debootstrap", "--variant=minbase", f"--include={PACKAGES}", SUITE, str(half), uris[0])
    )
    shutil.rmtree(half / "var/cache/apt/archives")
    output("chroot", str(half), "python3", "-m", "venv", "/opt/longsoak")
    wheels = half / "root" / "wheels"
    _pip("wheel", "--wheel-dir", str(wheels), f"{TOP}[modbus,gpio]")
    _inside(half, "/root/wheels", "longsoak[modbus,gpio]")
    shutil.rmtree(wheels)
    for group in ("i2c", "gpio"):
        output("chroot", str(half), "groupadd", "--system", group)
    output(
        *("chroot", str(half), "useradd", "--system", "--home-dir", "/var/lib/longsoak"),
        *("--create-home", "longsoak"),
    )
    half.rename(base)  # one that is there is whole
    return base


def _install(base: Path) -> None:
    """Put this working tree's Longsoak into it."""
    wheels = base / "root" / "wheels"
    shutil.rmtree(wheels, ignore_errors=True)
    _pip("wheel", "--no-deps", "--wheel-dir", str(wheels), str(TOP))
    _inside(base, "/root/wheels", "--no-deps", "--force-reinstall", "longsoak")
    shutil.rmtree(wheels)


def _furnish(base: Path) -> None:
    """Units, a rig, a password, and what the tests ask through."""
    units = base / "etc/systemd/system"
    for name in ("longsoak.service", "longsoak-pages.service"):
        shutil.copy(TOP / "deploy" / name, units / name)
    (units / "board.service").write_text(BOARD)
    (units / "agent.service").write_text(AGENT)
    soon = units / "longsoak.service.d" / "soon.conf"
    soon.parent.mkdir(exist_ok=True)
    soon.write_text(SOON)
    (base / "etc/systemd/network/10-wire.network").write_text(NETWORK)
    (base / "root/heartbeat").write_text("http://10.0.2.2:9/beat\n")
    (base / "root/heartbeat").chmod(0o600)
    tests = base / "root/tests"
    for name in WITHIN:
        (tests / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(TOP / "tests" / name, tests / name)
    home = base / "var/lib/longsoak"
    (home / "rig.toml").write_text(RIG_TEXT)
    owner = re.search(r"^longsoak:x:(\d+):(\d+):", (base / "etc/passwd").read_text(), re.MULTILINE)
    if owner is None:
        raise MachineError("the guest has no user longsoak")
    for path in (home, home / "rig.toml"):
        shutil.chown(path, int(owner[1]), int(owner[2]))
    script = (
        f"printf '%s\\n' '{PASSWORD}' | /opt/longsoak/bin/longsoak password {RIG} --stdin && "
        f"/opt/longsoak/bin/longsoak check {RIG} && systemctl enable -q "
        "longsoak longsoak-pages board agent systemd-networkd && systemctl mask -q "
        "systemd-networkd-wait-online apt-daily.timer apt-daily-upgrade.timer serial-getty@ttyS0"
    )
    output("chroot", str(base), "sh", "-ec", script)


def _modules(base: Path, tree: Path, version: str) -> None:
    for path in machine.modules_of(tree, version, MODULES):
        to = base / path.relative_to(tree)
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, to)
    for name in ("modules.order", "modules.builtin", "modules.builtin.modinfo"):
        shutil.copy(tree / "lib/modules" / version / name, base / "lib/modules" / version / name)
    output("depmod", "-b", str(base), version)


def _pip(*words: str) -> None:
    output(sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check", *words)


def _inside(base: Path, wheels: str, *words: str) -> None:
    output(
        *("chroot", str(base), "/opt/longsoak/bin/pip", "--quiet", "--disable-pip-version-check"),
        *("install", "--no-index", "--find-links", wheels, *words),
    )
