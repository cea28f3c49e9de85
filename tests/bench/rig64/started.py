"""Processes of a bench, started as they are installed, and what they take of the machine."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

from bench.rig64.layout import lay_out_files

ROUNDS = 3
TESTS = Path(__file__).parent.parent.parent


@contextmanager
def hardware() -> Iterator[Path]:
    """The hardware, under a folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="longsoak-bench-"))
    lay_out_files(folder)
    ports = [sys.executable, "-m", "bench.rig64.hardware", str(folder)]
    with subprocess.Popen(
        ports, cwd=TESTS, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield folder
        finally:
            process.stdin.close()
            process.wait(10)
            shutil.rmtree(folder)


def compiled(folder: Path) -> dict[str, str]:
    """Surroundings in which modules are compiled once, into `folder`, as installing does.

    Here they may be told never to keep what was compiled, and each start would compile it anew.
    """
    return {**os.environ, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": str(folder)}


@contextmanager
def started(
    *command: str | Path, surroundings: dict[str, str], log: Path
) -> Iterator[subprocess.Popen[bytes]]:
    """A process for the length of a block, ended as a service manager would; it must end well."""
    with log.open("ab") as kept:
        process = subprocess.Popen(
            command, cwd=TESTS, env=surroundings, stdin=subprocess.PIPE, stdout=kept, stderr=kept
        )
    try:
        yield process
        assert process.poll() is None, log.read_text(errors="replace")
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        if process.stdin is not None:
            process.stdin.close()


def pss_mb(process: int) -> float:
    """Memory of a process as if no other Python ran, MB.

    It is the proportional set size, but what it maps of Python's files and of SQLite's counts
    whole: here others map those too, and it would be less the more of them happen to run.

    Source: the kernel's Documentation/filesystems/proc.rst, smaps; its kB are 1024 bytes.
    """
    total, whole = 0, False
    for line in Path(f"/proc/{process}/smaps").read_text().splitlines():
        first, *rest = line.split()
        if not first.endswith(":"):  # the head of a mapping, and its file is the last word
            whole = any(word in line for word in ("python", "sqlite"))
        elif first == ("Rss:" if whole else "Pss:"):
            total += int(rest[0])
    return total * 1024 / 1e6


def anonymous_mb(process: int) -> float:
    """What of its memory is no file's, so that nobody else maps it, MB. Source: as `pss_mb`."""
    lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    (kilobytes,) = (line.split()[1] for line in lines if line.startswith("Anonymous:"))
    return int(kilobytes) * 1024 / 1e6


def busy(process: int) -> float:
    """Processor time of a process so far, its own and the kernel's for it, s."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def run_python(code: str, surroundings: dict[str, str]) -> str:
    """What some lines of Python print."""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=TESTS,
        env=surroundings,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def memory_of(imports: str, surroundings: dict[str, str]) -> float:
    """Memory of a bare Python with some imports, MB."""
    own = "import os; from bench.rig64.started import pss_mb; print(pss_mb(os.getpid()))"
    return median(float(run_python(f"{imports}; {own}", surroundings)) for _ in range(ROUNDS))
