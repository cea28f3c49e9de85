"""One demo from curtain to curtain: hardware up, programs on, wait, look, everything down."""

import asyncio
import signal
import sys
from asyncio.subprocess import DEVNULL, PIPE
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from longsoak_demo.bench import Bench
from longsoak_demo.children import Child
from longsoak_demo.events import Event
from longsoak_demo.folder import DemoFolder
from longsoak_demo.hardware import Hardware
from longsoak_demo.physics import RenderPair
from longsoak_demo.places import PLACES
from longsoak_demo.table import as_table, bad_probes, read_now

_SEED = 1  # the demo's noise is the same every time
_KEEP_EVERY = 10  # s between two saves of the model's state
_PATIENCE = 15.0  # s for a program to stop by itself
_FIRST_PAGE = 30.0  # s for the pages to answer
_TRIES = 10  # to begin a phase, a second apart
_LOOK = 30.0  # s for `longsoak now`

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Plan:
    """What the demo is to do; `lasting` in s, None for "until stopped"."""

    speed: float
    events: tuple[Event, ...]
    lasting: float | None
    port: int | None
    page: str | None


async def run_show(plan: Plan, folder: DemoFolder, pair: RenderPair, say: Say) -> int:
    """Run a demo in a folder that is laid out; 0 if all went well, else 1."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.set)
    seconds = 0

    def each_second() -> None:
        nonlocal seconds
        seconds += 1
        if seconds % _KEEP_EVERY == 0:
            folder.keep(pair)

    problems: list[str] = []
    async with Hardware(Bench(pair, seed=_SEED), folder.path) as hardware:
        clock = asyncio.create_task(
            hardware.run(speed=plan.speed, events=plan.events, say=say, each_second=each_second)
        )
        children = _children(plan, folder)
        try:
            for child in children:
                await child.start()
            problems += await _watch(plan, folder, children, clock=clock, stop=stop, say=say)
        finally:
            say("Stopping.")
            stopped = await asyncio.gather(*(c.stop(patience=_PATIENCE) for c in children))
            clock.cancel()
            with suppress(asyncio.CancelledError):
                await clock
            folder.keep(pair)
    problems += [problem for problem in stopped if problem]
    for problem in problems:
        say(problem)
    say("Stopped with faults." if problems else "All stopped.")
    return 1 if problems else 0


def _children(plan: Plan, folder: DemoFolder) -> list[Child]:
    program, rig_file = _program(), str(folder.rig_file)
    children = [Child("longsoak run", [program, "run", rig_file], log=folder.log("run"))]
    if plan.port is not None:
        command = [program, "pages", rig_file, "--port", str(plan.port)]
        # The web server hands SIGTERM on to itself once it has closed its connections.
        clean = (0, -signal.SIGTERM)
        children.append(Child("longsoak pages", command, log=folder.log("pages"), clean=clean))
    return children


def _program() -> str:
    """The `longsoak` command of this very installation, whatever the path says."""
    return str(Path(sys.executable).parent / "longsoak")


async def _watch(
    plan: Plan,
    folder: DemoFolder,
    children: list[Child],
    *,
    clock: asyncio.Task[None],
    stop: asyncio.Event,
    say: Say,
) -> list[str]:
    """Wait for the end, whatever brings it; return what went wrong."""
    deaths = [asyncio.create_task(child.died()) for child in children]
    others: list[asyncio.Task[bool]] = [asyncio.create_task(stop.wait())]
    greeting = asyncio.create_task(_greet(plan, say))
    beginning = asyncio.create_task(_begin(folder, say))
    try:
        done, _ = await asyncio.wait(
            [clock, *deaths, *others], timeout=plan.lasting, return_when=asyncio.FIRST_COMPLETED
        )
        if clock in done:
            await clock  # raises what ended it
        problems = [death.result() for death in deaths if death in done]
        if problems or stop.is_set():
            return problems
        problems += await _look(folder, say)
        problems += [death.result() for death in deaths if death.done()]
        if not (greeting.done() and greeting.result()):
            problems.append(f"The pages never answered at {plan.page}; see {folder.log('pages')}.")
        return problems
    finally:
        for task in (greeting, beginning, *deaths, *others):
            task.cancel()
        await asyncio.gather(greeting, beginning, *deaths, *others, return_exceptions=True)


async def _begin(folder: DemoFolder, say: Say) -> None:
    """Begin a wetting in the logbook of a new record, so that there is something to judge."""
    if folder.had_record:
        return
    asked = (
        *("phase", str(folder.rig_file), "The pump of a simulated rig runs", "--begin", "wetting"),
        *("--name", "invented", "--although", "nothing of a demo is proven", "--by", "demo"),
    )
    for _ in range(_TRIES):
        process = await asyncio.create_subprocess_exec(
            _program(), *asked, stdout=DEVNULL, stderr=DEVNULL
        )
        try:
            if await process.wait() == 0:
                say("A wetting begins in its logbook: see the sheet Findings.")
                return
        except asyncio.CancelledError:
            with suppress(ProcessLookupError):
                process.kill()
            raise
        await asyncio.sleep(1.0)  # the record is not there yet


async def _greet(plan: Plan, say: Say) -> bool:
    """Say where the pages are once they answer; whether they did, or there are none."""
    answered = plan.port is None
    if plan.port is not None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_FIRST_PAGE):
                while not await _answers(plan.port):  # noqa: ASYNC110 - nobody tells us
                    await asyncio.sleep(0.2)
            answered = True
        say(
            f"Pages: {plan.page}"
            if answered
            else f"The pages have not answered at {plan.page} for {_FIRST_PAGE:g} s."
        )
    if plan.lasting is None:
        say("Stop with Ctrl-C.")
    return answered


async def _answers(port: int) -> bool:
    """Whether a page comes back over HTTP."""
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
    except OSError:
        return False
    try:
        request = f"GET / HTTP/1.1\r\nHost: localhost:{port}\r\nConnection: close\r\n\r\n"
        writer.write(request.encode("ascii"))
        status = await reader.readline()
        return status.startswith(b"HTTP/1.1 ") and status[9:10] in (b"2", b"3")
    except OSError:
        return False
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()


async def _look(folder: DemoFolder, say: Say) -> list[str]:
    """Print what `longsoak now` knows of every probe; return what is wrong with it."""
    process = await asyncio.create_subprocess_exec(
        _program(), "now", str(folder.rig_file), "--json", stdout=PIPE, stderr=PIPE
    )
    try:
        async with asyncio.timeout(_LOOK):
            printed, complaint = await process.communicate()
    except TimeoutError:
        process.kill()
        await process.wait()
        return [f"longsoak now did not answer within {_LOOK:g} s."]
    try:
        rows = read_now(printed.decode("utf-8", errors="replace"))
    except ValueError as error:
        said = complaint.decode("utf-8", errors="replace").strip()
        return [f"longsoak now printed {error}. {said}".rstrip()]
    say(as_table(rows))
    bad = bad_probes(rows, [place.name for place in PLACES])
    if not bad:
        return []
    return ["\n    ".join([f"No good reading from {len(bad)} of {len(PLACES)} probes:", *bad])]
