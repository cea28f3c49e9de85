"""Switching the guest on and off, asking it, and the scanner on its USB port."""

import json
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from time import monotonic, sleep

from guest.root import CACHE
from kernel.machine import MachineError, output
from longsoak_drivers.lines import checksum
from servers import HOST, free_port
from waiting import wait_for

# Limits for a machine that does much else: a tenth is usual where it does not.
BOOT = 400.0  # s, from power-on until it answers
ANSWER = 300.0  # s


class Scanner:
    """What is plugged into the guest's USB port: answers each question with the next number.

    It lives outside the guest, so it knows what it has told when the guest's power is cut.
    """

    def __init__(self, path: Path) -> None:
        self.told: list[tuple[float, float]] = []
        """When it told which value, monotonic, s."""
        self._numbers = count(1)
        self._path = path
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._over.wait(0.1):
            with suppress(OSError), socket.socket(socket.AF_UNIX) as port:
                port.connect(str(self._path))
                port.settimeout(0.5)
                self._answer(port)

    def _answer(self, port: socket.socket) -> None:
        heard = b""
        while not self._over.is_set():
            with suppress(TimeoutError):
                got = port.recv(64)
                if not got:
                    return
                heard += got
            *lines, heard = heard.split(b"\n")
            for _ in range(lines.count(b"?P1")):
                value = next(self._numbers) / 1000
                body = b"P1,%.3f,Cel" % value
                port.sendall(body + b"*" + checksum(body) + b"\n")
                self.told.append((monotonic(), value))

    def close(self) -> None:
        """Pull it out for good."""
        self._over.set()
        self._thread.join(10)


class Guest:
    """A machine with one disk, which keeps what was written to it from one start to the next."""

    def __init__(self, disk: Path, kernel: Path, start: Path) -> None:
        self._kernel, self._start = kernel, start
        self._disk = CACHE / "disk.qcow2"
        self._disk.unlink(missing_ok=True)
        output(
            *("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw"),
            *("-b", str(disk), str(self._disk)),
        )
        self._process: subprocess.Popen[bytes] | None = None
        self._numbers = count()
        self.port = free_port()
        """Where its pages answer on this machine."""
        self.console = CACHE / "console"
        self.scanner = Scanner(CACHE / "scanner")

    def switch_on(self) -> float:
        """Start it, and return how long it took until it answered, s."""
        began = monotonic()
        ends = {name: CACHE / name for name in ("agent", "scanner", "monitor")}
        for path in ends.values():
            path.unlink(missing_ok=True)
        options = "server=on,wait=off"
        command = [
            *("qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-smp", "2", "-m", "1024"),
            *("-nographic", "-no-reboot", "-nodefaults", "-kernel", str(self._kernel)),
            *("-initrd", str(self._start), "-append"),
            "console=ttyS0 panic=-1 quiet no_timer_check systemd.show_status=false",
            *("-drive", f"file={self._disk},format=qcow2,if=virtio,cache=writeback"),
            *("-netdev", f"user,id=wire,hostfwd=tcp:{HOST}:{self.port}-:8460"),
            *("-device", "virtio-net-pci,netdev=wire,romfile=", "-device", "qemu-xhci"),
            *("-serial", f"file:{self.console}"),
            *("-chardev", f"socket,id=agent,path={ends['agent']},{options}"),
            *("-serial", "chardev:agent"),
            *("-chardev", f"socket,id=scanner,path={ends['scanner']},{options}"),
            *("-qmp", f"unix:{ends['monitor']},{options}"),
        ]
        self._process = subprocess.Popen(command, stderr=subprocess.PIPE)
        self._say_until_answered(began + BOOT)
        return monotonic() - began

    def _say_until_answered(self, until: float) -> None:
        while monotonic() < until:
            assert self._process is not None
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                raise MachineError(f"qemu ended: {self._process.stderr.read().decode()}")
            with suppress(OSError, TimeoutError):
                self.ask("true", limit=5)
                return
            sleep(0.5)
        raise MachineError(f"it did not answer: {self.console.read_text(errors='replace')[-3000:]}")

    def ask(self, command: str, *, limit: float = ANSWER, code: int | None = 0) -> str:
        """Run a shell command in it as root, and return its output.

        Raises
        ------
        TimeoutError
            There was no answer.
        MachineError
            It ended with another exit code than `code`; None takes any.
        """
        number, until = next(self._numbers), monotonic() + limit
        with socket.socket(socket.AF_UNIX) as port:
            port.connect(str(CACHE / "agent"))
            port.settimeout(limit)
            port.sendall(b"\n" + json.dumps({"number": number, "run": command}).encode() + b"\n")
            heard = b""
            while monotonic() < until:
                got = port.recv(65536)
                if not got:
                    raise TimeoutError
                heard += got
                *lines, heard = heard.split(b"\n")
                for line in lines:
                    # Until the agent has the port, the terminal echoes what was asked.
                    with suppress(ValueError, TypeError, KeyError):
                        said = json.loads(line)
                        if (said["number"], "says" in said) == (number, True):
                            return _checked(command, said, code)
        raise TimeoutError

    def plug(self) -> None:
        """Put the scanner's USB plug in."""
        self._monitor("device_add", driver="usb-serial", chardev="scanner", id="plug")

    def _monitor(self, command: str, **arguments: str) -> None:
        with socket.socket(socket.AF_UNIX) as port:
            port.connect(str(CACHE / "monitor"))
            port.settimeout(10)
            with port.makefile("rwb") as lines:
                lines.readline()  # its greeting
                for said in (
                    {"execute": "qmp_capabilities"},
                    {"execute": command, "arguments": arguments},
                ):
                    lines.write(json.dumps(said).encode() + b"\n")
                    lines.flush()
                    while "event" in (answer := json.loads(lines.readline())):
                        pass
                    if "error" in answer:
                        raise MachineError(f"the monitor says: {answer['error']}")

    def cut_power(self) -> None:
        """End it as a pulled plug does."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(30)
        assert self._process.stderr is not None
        self._process.stderr.close()
        self._process = None

    def close(self) -> None:
        """Switch it off for good."""
        if self._process is not None:
            self.cut_power()
        self.scanner.close()

    def shows(self, unit: str, **wanted: str) -> None:
        """Wait until ``systemctl show`` says these of a unit."""

        def found() -> bool:
            keys = ",".join(wanted)
            said = self.ask(f"systemctl show {unit} -p {keys}").splitlines()
            return all(f"{key}={value}" in said for key, value in wanted.items())

        wait_for(found, what=f"{wanted} of {unit}", limit=ANSWER)


def _checked(command: str, said: dict[str, object], code: int | None) -> str:
    says = str(said["says"])
    if code is not None and said["code"] != code:
        raise MachineError(f"{command} ended with {said['code']}: {says}")
    return says


@contextmanager
def guest(disk: Path, kernel: Path, start: Path) -> Iterator[Guest]:
    """A machine, switched off at the end of the block."""
    it = Guest(disk, kernel, start)
    try:
        yield it
    finally:
        it.close()
