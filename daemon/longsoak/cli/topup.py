"""`longsoak topup`: how much still fits while somebody pours, and an entry in the logbook."""

import json
import select
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from uuid import uuid4

import click

from longsoak.cli.asking import outcome_of, unanswered
from longsoak.cli.common import DONE, FOUND_WRONG, rig_file, told
from longsoak.cli.options import number_of
from longsoak.cli.topupline import Line
from longsoak.cli.writing import recorded
from longsoak.core.logbookwords import entry_document
from longsoak.core.water.entries import MOST_LITRES, too_much, top_up_content
from longsoak.core.water.guide import Ended, Told
from longsoak.service.clock import SystemClock
from longsoak.store.files import recording
from longsoak.store.guiding import RENEW, Guiding, ask_attention, top_up_entry
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.reader import Record
from longsoak.store.topuprequests import FILL_AGAIN, Fill, ask_fill, ask_stop
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import FILLS, Rig

PAUSE = 0.25  # s between two looks: four a second
NOTHING_RISES = 120.0  # s after which it ends by itself
SETTLES_FOR = 4.0  # times the lag that the water is given to settle, at most
_LEAST = 0.5  # mm: a smaller difference is no top-up


@click.command(epilog='Example: longsoak topup rig.toml --by mk --litres 10 --source "rain butt"')
@rig_file
@click.option("--by", required=True, help="Your initials, for the logbook.")
@click.option(
    "--litres",
    type=number_of("a number of litres", 0.01, MOST_LITRES),
    help="What you pour by the can's mark; kept beside what the level says.",
)
@click.option(
    "--valve", help="Fill through this fill valve or pump relay, --litres at most, while you watch."
)
@click.option("--source", default="", help="Where the water comes from.")
@click.option("--until-settled", is_flag=True, help="End by itself once what rose has settled.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON at the end.")
def topup(
    rig_file: Path,
    by: str,
    litres: float | None,
    valve: str | None,
    source: str,
    until_settled: bool,
    as_json: bool,
) -> None:
    """Guide a top-up of RIG_FILE's reservoir, and write it into the logbook.

    Shows in one line what to do, the litres and millimetres that still fit, the clearance and how
    old the level is. The level follows the can late: "stop" is said so early that what has been
    poured already stays below the stop line. Pour the last litre slowly. Enter or Ctrl-C says that
    you have stopped; so does nothing rising for two minutes. Then it waits for the water to settle.
    A second Ctrl-C does not wait.

    With --valve the measuring process opens a valve or a relay and shuts it once the litres are in,
    or at the first doubt. Stay beside it until it is shut, and never rely on it alone: a float
    switch wired in series has to shut it by itself. Mains wiring follows your local code.

    This is advice to a person with a can, and no protection. Keep mains leads and sockets out of
    reach of the water and above it.
    """
    if valve is not None and litres is None:
        raise click.UsageError("A valve needs --litres: how much it may let in.")
    with told():
        record, rig = recorded(rig_file)
        guiding = Guiding(record, rig)
        _check(rig, valve, litres)
        if not recording(record.folder):
            raise StoreError(
                "`longsoak run` is not running here, so nobody reads the level. Start it first, or "
                "write the top-up into the logbook with `longsoak note`."
            )
        with _ctrl_c() as stops:
            fill = None if valve is None else Fill(valve, litres or 0.0, uuid4().hex)
            pour = _Pour(record, guiding, by=by, stops=stops, fill=fill)
            stopped_ms = pour.watch(until_settled=until_settled)
            pour.settle()
            found = guiding.ended()
        by_can = litres if valve is None else None
        content = _content(found, litres=by_can, source=source or (valve or ""))
        entry = top_up_entry(
            by=by,
            stopped_ms=stopped_ms,
            asked_ms=SystemClock().utc_ms(),
            content=content,
            underside=rig.specimen.underside,
        )
        request = ask_to_write(record.folder, entry)
        outcome = outcome_of(record, request.uuid)
    if as_json:
        kept = Logbook(record.folder).of_request(request.uuid)
        document: dict[str, Json] = {
            "outcome": outcome,
            "settled": guiding.settled,
            "litres_uncertainty": None if found is None else found.litres_u,
            "lag_s": guiding.setting.lag,
            "entry": None if kept is None else entry_document(kept),
        }
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    else:
        click.echo(_end_words(found, litres=by_can, settled=guiding.settled))
        click.echo(unanswered(record, request.uuid) if outcome is None else f"{outcome}.")
    sys.exit(DONE if outcome is not None and not outcome.startswith("refused") else FOUND_WRONG)


def _check(rig: Rig, valve: str | None, litres: float | None) -> None:
    """Refuse before anybody pours what would be refused in the end.

    Raises
    ------
    RequestError
        There is no such valve on this rig, or the litres can't be.
    """
    if litres is not None and rig.reservoir is not None:
        wrong = too_much(litres, rig.reservoir)
        if wrong:
            raise RequestError(f"{wrong}. Nothing was poured or kept.")
    if valve is None:
        return
    valves = [output.name for output in rig.outputs if output.kind in FILLS]
    if valve in valves:
        return
    others = [f"{output.name!r} ({output.kind})" for output in rig.outputs]
    if valves:
        there = f"It has {' and '.join(map(repr, valves))}: name one"
    elif others:
        there = f"Its outputs are {', '.join(others)}, and none of them lets water in"
    else:
        there = "Its rig file has no [[outputs]], so fill with a can and leave --valve out"
    raise RequestError(f"There is no fill valve or pump relay {valve!r} on this rig. {there}.")


class _Pour:
    """The looks of one top-up, until it has ended."""

    def __init__(
        self,
        record: Record,
        guiding: Guiding,
        *,
        by: str,
        stops: threading.Semaphore,
        fill: Fill | None,
    ) -> None:
        self._record = record
        self._guiding = guiding
        self._by = by
        self._stops = stops
        self._clock = SystemClock()
        self._line = Line()
        self._asked = -RENEW
        self._fill = fill
        self._fill_asked = -FILL_AGAIN
        self._fill_request: str | None = None
        self._opened = False
        self._listens = sys.stdin.isatty()

    def watch(self, *, until_settled: bool) -> int:
        """Look until somebody has stopped; return when that was, UTC ms."""
        self._ask()
        began = self._clock.monotonic()
        rose, last = began, None
        while not self._waited():
            seen = self._look()
            if not self._fills(seen):
                break
            if seen.rose_at is not None and seen.rose_at != last:
                rose, last = self._clock.monotonic(), seen.rose_at
            if self._clock.monotonic() - rose >= NOTHING_RISES:
                break
            # A level that is calm may not have heard of the can yet.
            quiet = self._clock.monotonic() - rose >= self._guiding.setting.lag
            if until_settled and last is not None and quiet and self._guiding.settled:
                break
        stopped_ms = self._clock.utc_ms()
        if self._fill is not None:
            ask_stop(self._record.folder, self._fill, by=self._by, utc_ms=stopped_ms)
        return stopped_ms

    def _fills(self, seen: Told) -> bool:
        """Go on asking for the valve; false once it was shut or refused."""
        if self._fill is None:
            return True
        if self._fill_request is not None:
            outcome = self._record.outcome(self._fill_request)
            if outcome is not None and outcome.startswith("refused: "):
                why = outcome.removeprefix("refused: ")
                if not self._opened:
                    raise RequestError(f"{self._fill.valve} was not opened: {why}.")
                click.echo(f"\n{self._fill.valve} is shut: {why}.", err=True)
                return False
            self._opened = self._opened or outcome is not None
        now = self._clock.monotonic()
        if (seen.may_pour or self._opened) and now - self._fill_asked >= FILL_AGAIN:
            self._fill_asked = now
            request = ask_fill(
                self._record.folder, self._fill, by=self._by, utc_ms=self._clock.utc_ms()
            )
            # Its answer is waited for before the next one is looked at.
            self._fill_request = request.uuid
        return True

    def settle(self) -> None:
        """Look until the water is calm, or it has had time enough."""
        click.echo("\nWaiting for the water to settle.", err=True)
        self._listens = False
        began = self._clock.monotonic()
        lag = self._guiding.setting.lag
        while not self._waited():
            self._look()
            waited = self._clock.monotonic() - began
            if waited >= SETTLES_FOR * lag or (waited >= lag / 2 and self._guiding.settled):
                break
        self._line.done()

    def _look(self) -> Told:
        if self._clock.monotonic() - self._asked >= RENEW:
            self._ask()
        seen = self._guiding.look(now_ms=self._clock.utc_ms())
        self._line.show(seen, now=self._clock.monotonic())
        return seen

    def _ask(self) -> None:
        """Have level and float polled closer; the first time somebody has to answer."""
        first = self._asked < 0
        self._asked = self._clock.monotonic()
        request = ask_attention(
            self._record.folder, self._guiding, by=self._by, utc_ms=self._clock.utc_ms()
        )
        if not first:
            return
        outcome = outcome_of(self._record, request.uuid)
        if outcome is None:
            raise StoreError(
                "`longsoak run` does not answer, so the level would come too late. Look at "
                "what it says."
            )
        if outcome.startswith("refused: "):
            raise RequestError(outcome.removeprefix("refused: "))

    def _waited(self) -> bool:
        """Let a moment pass; whether somebody said meanwhile that they have stopped."""
        if not self._listens:
            return self._stops.acquire(timeout=PAUSE)
        if select.select([sys.stdin], [], [], PAUSE)[0]:
            sys.stdin.readline()
            return True
        return self._stops.acquire(blocking=False)


@contextmanager
def _ctrl_c() -> Iterator[threading.Semaphore]:
    """Ctrl-C counts, and interrupts nothing: the entry is still to be written."""
    stops = threading.Semaphore(0)

    def stop(_number: int, _frame: FrameType | None) -> None:
        stops.release()

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield stops
    finally:
        signal.signal(signal.SIGINT, before)


def _content(found: Ended | None, *, litres: float | None, source: str) -> dict[str, Json]:
    rose = found is not None and abs(found.after_mm - found.before_mm) >= _LEAST
    if not rose and litres is None:
        raise StoreError("The level did not rise, and no litres were said: nothing was written.")
    return top_up_content(
        litres=None if found is None else round(found.litres, 3),
        before_mm=None if found is None else round(found.before_mm, 2),
        after_mm=None if found is None else round(found.after_mm, 2),
        litres_by_can=litres,
        source=source.strip(),
    )


def _end_words(found: Ended | None, *, litres: float | None, settled: bool) -> str:
    if found is None:
        return "The level was never known. What the can says is written down."
    words = (
        f"{found.before_mm:.1f} mm before, {found.after_mm:.1f} mm after: "
        f"{found.litres:.1f} ± {2 * found.litres_u:.1f} L by the depth table"
    )
    words += "" if litres is None else f", {litres:g} L by the can"
    return words + ("." if settled else ". The water had not settled yet.")
