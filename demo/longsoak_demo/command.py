"""The demo's command line: what it takes, what it checks, what it says first."""

import argparse
import asyncio
import os
import socket
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from longsoak_demo.events import Event, EventsError, read_events
from longsoak_demo.folder import DemoFolder, FolderError
from longsoak_demo.show import Plan, run_show

DONE, WRONG, BAD_INPUT = 0, 1, 2
_PORTS_TRIED = 40
_EPILOG = """example:
  python -m longsoak_demo --folder demo/rig --speed 40000 --events demo/events.toml"""


@dataclass(frozen=True, slots=True)
class _Options:
    folder: Path
    speed: float
    events: Path | None
    lasting: float | None
    port: int
    pages: bool
    fresh: bool


def say(text: str) -> None:
    """Print a line at once, also into a pipe; nobody listening is no reason to stop."""
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except OSError:
        # The terminal or the pipe is gone. Raising here would leave the programs running.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def main(arguments: Sequence[str]) -> int:
    """Run the demo.

    Returns
    -------
    int
        0 done, 1 something went wrong or a probe has no good reading, 2 bad input.
    """
    options = _parse(arguments)
    try:
        events = read_events(options.events) if options.events else []
        folder = DemoFolder(options.folder, fresh=options.fresh)
    except (EventsError, FolderError) as error:
        sys.stderr.write(f"{error}\n")
        return BAD_INPUT
    try:
        return _run(options, folder, events)
    except OSError as error:
        sys.stderr.write(f"The demo can't go on: {error}.\n")
        return WRONG
    finally:
        folder.release()


def _run(options: _Options, folder: DemoFolder, events: list[Event]) -> int:
    port = None
    if options.pages:
        port = free_port(options.port)
        if port is None:
            sys.stderr.write(
                f"Ports {options.port} to {options.port + _PORTS_TRIED - 1} are all taken. "
                "Name a free one with --port, or leave the pages out with --no-pages.\n"
            )
            return BAD_INPUT
        if port != options.port:
            say(f"Port {options.port} is taken; the pages use {port} instead.")
    page = f"http://localhost:{port}/" if port else None
    folder.lay_out(page=page)
    pair, lost = folder.pair()
    say("A simulated rig: two renders under a drip rail. All data in it are invented.")
    say(f"Folder: {folder.path}")
    if folder.had_record:
        say("It holds the record of an earlier demo; recording goes on. --fresh begins a new one.")
    if lost:
        say(lost)
    say(f"Simulated time runs {options.speed:g} times as fast as the clock: {pace(options.speed)}.")
    plan = Plan(
        speed=options.speed, events=tuple(events), lasting=options.lasting, port=port, page=page
    )
    return asyncio.run(run_show(plan, folder, pair, say))


def free_port(first: int) -> int | None:
    """Return `first`, or the next port that nothing listens on; None if none is near."""
    for port in range(first, min(first + _PORTS_TRIED, 65536)):
        with socket.socket() as probe:
            # As a server does it: a port whose last connections are still closing is free.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    return None


def pace(speed: float) -> str:
    """What a minute of the clock is of simulated time."""
    hours = speed / 60
    if hours >= 48:
        return f"a minute is {hours / 24:.1f} days"
    if hours < 2:
        return f"a minute is {speed:g} min"
    return f"a minute is {hours:.1f} hours"


def _parse(arguments: Sequence[str]) -> _Options:
    parser = argparse.ArgumentParser(
        prog="longsoak_demo",
        description="Run Longsoak on a simulated rig. All data are invented.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--folder", type=Path, required=True, help="where the rig file, the record and the logs go"
    )
    parser.add_argument(
        "--speed", type=_positive, default=600.0, help="simulated seconds in a second (600)"
    )
    parser.add_argument("--events", type=Path, help="a script of things that go wrong (TOML)")
    parser.add_argument(
        "--for",
        dest="lasting",
        type=_positive,
        metavar="S",
        help="stop after S seconds, with a table of what every probe reads",
    )
    parser.add_argument("--port", type=_port, default=8460, help="port of the pages (8460)")
    parser.add_argument("--no-pages", dest="pages", action="store_false", help="serve no pages")
    parser.add_argument(
        "--fresh", action="store_true", help="remove what an earlier demo left in the folder"
    )
    return _Options(**vars(parser.parse_args(arguments)))


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not (isfinite(number) and number > 0):
        raise argparse.ArgumentTypeError(f"{text!r} given, expected a number above 0")
    return number


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"{text!r} given, expected a port from 1 to 65535")
    return int(text)
