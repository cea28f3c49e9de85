"""A bare Debian in a folder, where commands run as on a computer of its own without a network."""

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CACHE = Path(tempfile.gettempdir()) / "longsoak-bare-debian"
SYSTEMS = {"12-amd64": "bookworm", "13-amd64": "trixie", "12-arm64": "bookworm"}
STICK = "/media/a stick"  # where it lies in there; a blank in its name is no hindrance
_OLDEST = 14 * 86400  # s, of what is kept
# A Debian is started by systemd; one of the two does without, as the barest does.
_MORE = {"13-amd64": "systemd,udev"}
# A Raspberry Pi's programs, run by an emulator that the kernel calls: the head of such a file, and
# which bits of it count (elf(5), from memory).
_EMULATOR = "/usr/bin/qemu-aarch64-static"
_HANDLERS = Path("/proc/sys/fs/binfmt_misc")
_OURS = _HANDLERS / "longsoak-arm64"
_HEAD = r"\x7fELF\x02\x01\x01" + r"\x00" * 9 + r"\x02\x00\xb7\x00"
_COUNTS = r"\xff" * 7 + r"\x00" + r"\xff" * 8 + r"\xfe\xff\xff\xff"
# Own mounts, processes and network: all of it goes away with the command.
_APART = ("unshare", "--mount", "--net", "--pid", "--fork", "--kill-child")
_INSIDE = f"""
set -eu
ip link set lo up
mount --make-rprivate /
mount --rbind /dev "$0/dev"
mount -t proc proc "$0/proc"
mount -t sysfs sysfs "$0/sys"
mount --bind "$1" "$0{STICK}"
root=$0
shift
cd /
exec env -i PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 \
    chroot "$root" "$@"
"""


def lacking() -> str:
    """What this machine has not for it, in a sentence; nothing if it has all."""
    if os.geteuid() != 0:
        return "a Debian is made by root"
    missing = [name for name in ("debootstrap", "ip", "unshare") if shutil.which(name) is None]
    if missing:
        return f"{' and '.join(missing)} missing: sh tests/run.sh deploy installs what is needed"
    if _architecture() != "amd64":
        return "only tried on amd64"
    apart = subprocess.run([*_APART, "true"], capture_output=True, text=True, check=False)
    return "" if apart.returncode == 0 else f"no namespaces here: {apart.stderr.strip()}"


@contextmanager
def emulated() -> Iterator[str]:
    """Have the kernel run programs for arm64, in the block; yields why it can't, or nothing."""
    if not Path(_EMULATOR).exists():
        yield f"{_EMULATOR} missing: sh tests/run.sh deploy installs what is needed"
        return
    if not (_HANDLERS / "register").exists():
        mount = ["mount", "-t", "binfmt_misc", "binfmt_misc", str(_HANDLERS)]
        mounted = subprocess.run(mount, capture_output=True, text=True, check=False)
        if mounted.returncode != 0:
            yield f"no emulator can be told to the kernel: {mounted.stderr.strip()}"
            return
    if any(_HANDLERS.glob("*aarch64*")):
        yield ""  # somebody has set it up
        return
    try:
        # F: opened now, so that it is found from within any folder that is a /.
        (_HANDLERS / "register").write_text(
            f":{_OURS.name}:M::{_HEAD}:{_COUNTS}:{_EMULATOR}:F", encoding="ascii"
        )
    except OSError as error:
        yield f"the kernel takes no emulator for arm64: {error.strerror}"
        return
    try:
        yield ""
    finally:
        _OURS.write_text("-1")


class Debian:
    """One in `root`, with `stick` put in; `system` is one of SYSTEMS.

    Attributes
    ----------
    root : Path
        The folder that is its /.
    stick : Path
        The folder that it sees at STICK.
    """

    def __init__(self, root: Path, *, system: str, stick: Path) -> None:
        self.root, self.stick = root, stick
        root.mkdir()
        subprocess.run(["tar", "-xf", _bare(system), "-C", root], check=True)
        (root / STICK.lstrip("/")).mkdir(parents=True)
        # Nothing of it outlives the test, so no file is waited for.
        (root / "etc/dpkg/dpkg.cfg.d/fast").write_text("force-unsafe-io\n")

    def run(self, *command: str, limit: float = 600) -> subprocess.CompletedProcess[str]:
        """Run a command as root to its end; what it says comes together, as on a terminal."""
        return subprocess.run(
            [*_APART, "sh", "-c", _INSIDE, self.root, self.stick, *command],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            timeout=limit,
            check=False,
        )

    def shell(self, line: str, *, limit: float = 600) -> subprocess.CompletedProcess[str]:
        """Run one line of a shell, as root."""
        return self.run("sh", "-c", line, limit=limit)

    def install(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the stick's installer."""
        return self.run("sh", f"{STICK}/install.sh", *arguments)


def _architecture() -> str:
    asked = ["dpkg", "--print-architecture"]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()


def _bare(system: str) -> Path:
    """The system as debootstrap makes it, packed; kept for a fortnight."""
    kept = CACHE / f"{system}.tar"
    if kept.exists() and time.time() - kept.stat().st_mtime < _OLDEST:
        return kept
    CACHE.mkdir(mode=0o700, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as folder:
        more = [f"--include={_MORE[system]}"] if system in _MORE else []
        more += ["--arch", system.partition("-")[2]]
        made = subprocess.run(
            [
                *("debootstrap", "--variant=minbase", *more),
                *(SYSTEMS[system], f"{folder}/root", _mirror()),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert made.returncode == 0, made.stdout[-2000:] + made.stderr
        packed = Path(folder, "packed")
        subprocess.run(["tar", "-cf", packed, "-C", f"{folder}/root", "."], check=True)
        packed.rename(kept)
    return kept


def _mirror() -> str:
    """Where this machine itself gets Debian from."""
    listed = subprocess.run(
        [
            *("apt-get", "indextargets", "--format", "$(ORIGIN) $(COMPONENT) $(REPO_URI)"),
            "Created-By: Packages",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return next(
        line.split()[2]
        for line in listed.splitlines()
        if line.startswith("Debian main ") and "security" not in line
    )
