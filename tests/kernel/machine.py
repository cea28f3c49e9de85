"""A virtual machine with Debian's kernel, that runs this machine's Python on the shipped drivers.

The guest's first process mounts this machine's root, read-only, and runs guest.py in it; so the
drivers, the interpreter and its packages are the very ones of the other tests, above a kernel that
has I2C, hwmon, IIO, 1-Wire and GPIO. Processor instructions are interpreted (TCG), so that it runs
wherever the tests run.
"""

import json
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
CACHE = HERE / ".cache"
LONGEST = 150  # s, from power-on to power-off; a third of it is usual
NEWEST = "linux-image-amd64"  # leans on the package of the newest kernel
NEEDED_AT_START = ("virtio_pci", "9pnet_virtio", "9p")

# Written by the first process: one page of shell, as there is nothing else yet.
INIT = """\
#!/bin/sh
/bin/busybox mkdir -p /proc /host
/bin/busybox mount -t proc proc /proc
for module in /modules/*; do /bin/busybox insmod $module; done
/bin/busybox mount -t 9p -o ro,trans=virtio,version=9p2000.L,cache=loose,msize=262144 host /host
/bin/busybox mount -t proc proc /host/proc
/bin/busybox mount -t sysfs sysfs /host/sys
/bin/busybox mount -t devtmpfs devtmpfs /host/dev
/bin/busybox mount -t tmpfs tmpfs /host/tmp
export PATH=/usr/sbin:/usr/bin:/sbin:/bin PYTHONDONTWRITEBYTECODE=1 PYTHONPATH={tests}
/bin/busybox chroot /host {python} {guest} {tree} {version} >/host/dev/ttyS1 2>&1
/bin/busybox poweroff -f
"""


class MachineError(Exception):
    """The kernel could not be had, or the machine did not come to its end."""


def run() -> list[dict[str, object]]:
    """Start the machine and return what guest.py printed: one object a line.

    Raises
    ------
    MachineError
        Something is missing on this machine, or the guest failed; its output is in the message.
    """
    tree, version = kernel()
    results, console = CACHE / "results", CACHE / "console"
    _write_start(tree, version)
    command = [
        *("qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-smp", "2", "-m", "768"),
        *("-nographic", "-no-reboot", "-nodefaults", "-kernel", f"{tree}/boot/vmlinuz-{version}"),
        *("-initrd", str(CACHE / "start.cpio"), "-append", "console=ttyS0 panic=-1 quiet"),
        *("-serial", f"file:{console}", "-serial", f"file:{results}"),
        "-virtfs",
        "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap",
    ]
    try:
        done = subprocess.run(command, capture_output=True, timeout=LONGEST, check=False)
        said = done.stderr.decode(errors="replace")
    except subprocess.TimeoutExpired:
        said = f"it did not end within {LONGEST} s"
    lines = results.read_text(errors="replace").splitlines() if results.exists() else []
    if not lines or lines[-1] != "done":
        told = "\n".join(lines[-30:]) + console.read_text(errors="replace")[-2000:]
        raise MachineError(f"the virtual machine failed: {said}\n{told}")
    return [json.loads(line) for line in lines if line.startswith("{")]


def kernel() -> tuple[Path, str]:
    """Folder of the unpacked kernel package, and the kernel's version; fetched if need be."""
    depends = output("apt-cache", "depends", "--important", NEWEST).split()
    packages = [word for word in depends if word.startswith("linux-image-") and word != NEWEST]
    if not packages:
        raise MachineError(f"apt knows no package {NEWEST}: run apt-get update")
    version = packages[0].removeprefix("linux-image-")
    tree = CACHE / version
    if not tree.exists():
        CACHE.mkdir(exist_ok=True)
        half = CACHE / "half"
        shutil.rmtree(half, ignore_errors=True)
        half.mkdir()
        output("apt-get", "download", "-qq", packages[0], cwd=half)
        (file,) = half.glob("*.deb")
        output("dpkg-deb", "-x", str(file), str(half))
        file.unlink()
        output("depmod", "-b", str(half), version)
        half.rename(tree)  # a tree that is there is whole
    return tree, version


def _write_start(tree: Path, version: str) -> None:
    script = INIT.format(
        tests=HERE.parent,
        # Not resolved: the environment's own name for it is what finds its packages.
        python=sys.executable,
        guest=HERE / "guest.py",
        tree=tree,
        version=version,
    )
    paths = modules_of(tree, version, NEEDED_AT_START)
    pack_start(CACHE / "start.cpio", script=script, modules=paths)


def modules_of(tree: Path, version: str, names: Sequence[str]) -> list[Path]:
    """The files of these modules and of all they lean on, in the order to load them."""
    paths: list[str] = []
    for module in names:
        wanted = output("modprobe", "-d", str(tree), "-S", version, "--show-depends", module)
        paths += [line.split()[1] for line in wanted.splitlines() if line.startswith("insmod ")]
    return [Path(path) for path in dict.fromkeys(paths)]


def pack_start(to: Path, *, script: str, modules: Sequence[Path]) -> None:
    """Write the archive the kernel unpacks into its memory: a shell, modules, and what to do."""
    root = to.with_suffix("")
    shutil.rmtree(root, ignore_errors=True)
    (root / "bin").mkdir(parents=True)
    (root / "dev").mkdir()
    (root / "modules").mkdir()
    busybox = shutil.which("busybox")
    if busybox is None:
        raise MachineError("the package busybox-static is missing: sh tests/run.sh kernel adds it")
    shutil.copy(busybox, root / "bin" / "busybox")
    (root / "bin" / "sh").symlink_to("busybox")
    for number, path in enumerate(modules):  # in the order they lean on each other
        shutil.copy(path, root / "modules" / f"{number:02}-{path.name}")
    (root / "init").write_text(script)
    (root / "init").chmod(0o755)
    files = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    archive = subprocess.run(
        ["cpio", "--quiet", "-o", "-H", "newc"],
        cwd=root,
        input=files.encode(),
        capture_output=True,
        check=True,
    )
    to.write_bytes(archive.stdout)


def output(*command: str, cwd: Path | None = None) -> str:
    try:
        done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=True)
    except FileNotFoundError as error:
        raise MachineError(f"{command[0]} is missing: sh tests/run.sh kernel adds it") from error
    except subprocess.CalledProcessError as error:
        raise MachineError(f"{' '.join(command)} failed: {error.stderr.strip()}") from error
    return done.stdout
