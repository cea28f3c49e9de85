"""Runs the named benchmarks, or all, and says whether any is short of its goal."""

import sys
from importlib import import_module
from pathlib import Path

from bench.figures import Figure, Unmeasured

NAMES = sorted(
    path.stem
    for path in Path(__file__).parent.glob("[a-z]*.py")
    if "def figures()" in path.read_text()  # the rest is what they share
)


def main(names: list[str]) -> int:
    """Run and print; 1 if a figure is short, 2 if there is no such benchmark."""
    unknown = [name for name in names if name not in NAMES]
    if unknown:
        sys.stderr.write(f"there is no benchmark {unknown[0]!r}; there are {', '.join(NAMES)}\n")
        return 2
    short = False
    for name in names or NAMES:
        figures: list[Figure | Unmeasured] = import_module(f"bench.{name}").figures()
        for figure in figures:
            sys.stdout.write(f"{figure}\n")
            short = short or not figure.met
    return int(short)


sys.exit(main(sys.argv[1:]))
