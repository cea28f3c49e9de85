"""Runs the named campaigns, or all, and says whether anything was lost; see run.sh."""

import argparse
import sys
from importlib import import_module
from pathlib import Path

from faults.outcome import Outcome

HERE = Path(__file__).parent
# A campaign is a module here with a function `campaign(*, seed, short)`.
CAMPAIGNS = sorted(
    path.stem for path in HERE.glob("[a-z]*.py") if "\ndef campaign(" in path.read_text()
)
GROUPS = {
    "store": ("kill", "full", "failing", "powercut", "aside", "service"),
    "forward": ("database", "broker", "scripted"),
    "deploy": ("fuse", "guest"),
}


def main(arguments: list[str]) -> int:
    """Run; 0 if nothing was lost, 1 if anything was or was not tried, 2 for a bad request."""
    groups = {name: [c for c in of if c in CAMPAIGNS] for name, of in GROUPS.items()}
    parser = argparse.ArgumentParser(
        prog="sh tests/faults/run.sh", epilog="example: sh tests/faults/run.sh kill --seed 7"
    )
    parser.add_argument(
        "names", nargs="*", metavar="name", help=f"of {', '.join([*groups, *CAMPAIGNS])}"
    )
    parser.add_argument("--seed", type=int, default=1, help="another one tries other moments")
    parser.add_argument("--short", action="store_true", help="a few seconds of each")
    chosen = parser.parse_args(arguments)
    unknown = [name for name in chosen.names if name not in (*groups, *CAMPAIGNS)]
    if unknown:
        there = ", ".join([*groups, *CAMPAIGNS])
        sys.stderr.write(f"there is no campaign {unknown[0]!r}; there are {there}\n")
        return 2
    # A virtual machine has no short run.
    every = [name for name in CAMPAIGNS if not (chosen.short and name == "guest")]
    wanted = [c for name in chosen.names or every for c in groups.get(name, [name])]
    lost = False
    for name in dict.fromkeys(wanted):
        outcome: Outcome = import_module(f"faults.{name}").campaign(
            seed=chosen.seed, short=chosen.short
        )
        sys.stdout.write(f"{outcome}\n")
        sys.stdout.flush()
        lost = lost or outcome.lost > 0 or outcome.untried is not None
    return int(lost)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
