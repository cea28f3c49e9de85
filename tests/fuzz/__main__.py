"""Replays the kept corpus, or fuzzes the named targets; see run.sh."""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

from fuzz.targets import TARGETS

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"


def main() -> int:
    """Run; 0 if nothing was found, 1 if something was, 2 for a bad request."""
    parser = argparse.ArgumentParser(prog="sh tests/fuzz/run.sh")
    parser.add_argument("names", nargs="*", metavar="name", help=f"of {', '.join(TARGETS)}")
    parser.add_argument("--seconds", type=int, default=60, help="for each named target")
    chosen = parser.parse_args()
    unknown = [name for name in chosen.names if name not in TARGETS]
    if unknown:
        sys.stderr.write(f"there is no target {unknown[0]!r}; there are {', '.join(TARGETS)}\n")
        return 2
    if not chosen.names:
        for name in TARGETS:
            sys.stdout.write(f"{name}: {replay(name)} kept inputs hold\n")
        return 0
    if find_spec("atheris") is None:
        sys.stderr.write(
            "fuzzing needs atheris: tests/.venv/bin/python -m pip install -e '.[fuzz]'\n"
        )
        return 2
    found = [fuzz(name, seconds=chosen.seconds) for name in chosen.names]
    return int(any(found))


def replay(name: str) -> int:
    """Put every kept input through its target; return how many there were."""
    kept = sorted((CORPUS / name).iterdir())
    for path in kept:
        TARGETS[name](path.read_bytes())
    return len(kept)


def fuzz(name: str, *, seconds: int) -> bool:
    """Fuzz from the kept corpus on, keep what adds to it, and say whether anything broke."""
    kept = CORPUS / name
    kept.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f"longsoak-fuzz-{name}-"))
    grown, least = folder / "grown", folder / "least"
    grown.mkdir()
    least.mkdir()
    log = guided(
        name,
        grown,
        kept,
        f"-max_total_time={seconds}",
        f"-artifact_prefix={folder}/found-",
        "-max_len=256",
        "-timeout=20",
        "-print_final_stats=1",
    )
    found = sorted(folder.glob("found-*"))
    execs = re.search(r"stat::number_of_executed_units: *(\d+)", log)
    did = f"{name}: {execs[1] if execs else 'no'} runs in {seconds} s"
    if found or execs is None:
        sys.stdout.write(f"{broke(log)}\n{did}, found {', '.join(map(str, found))}\n")
        return True
    merged = guided(name, least, grown, kept, "-merge=1", "-use_counters=0", "-max_len=256")
    if not any(least.iterdir()):
        sys.stdout.write(
            f"{merged[-3000:]}\n{did}, nothing found, but the corpus can't be merged\n"
        )
        return True
    shutil.rmtree(kept)
    shutil.copytree(least, kept)
    shutil.rmtree(folder)
    sys.stdout.write(f"{did}, nothing found; {len(list(kept.iterdir()))} inputs kept\n")
    return False


def broke(log: str) -> str:
    """The part of a log that tells what broke: the traceback, or how it ended."""
    _, broken, rest = log.partition("=== Uncaught Python exception: ===")
    return (broken + rest)[:3000] if broken else log[-3000:]


def guided(name: str, *rest: str | Path) -> str:
    """One run of `fuzz.guided`; what it said."""
    command = [sys.executable, "-m", "fuzz.guided", name, *map(str, rest)]
    done = subprocess.run(command, cwd=HERE.parent, capture_output=True, check=False)
    said = (done.stdout + done.stderr).decode("utf-8", errors="replace")
    return re.sub(r"^INFO: .*\n", "", said, flags=re.MULTILINE)


sys.exit(main())
