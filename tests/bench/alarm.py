"""From the float or the level at the hardware to the mail that a local mail server has accepted.

Each rig is a real `longsoak run` over a pty whose far end is a front end that answers at once. The
water changes at a random moment of a second; what is timed ends when the mail server says 250 to
DATA. Rigs run side by side, because one that alarmed sixty times within minutes would rightly be
told as a flood.
"""

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from pathlib import Path
from random import Random
from statistics import median, quantiles

from aiosmtpd.smtp import SMTP, Envelope, Session

from bench.figures import Figure, scratch
from drivers.ptys import plugged
from longsoak.rigfile.alarmset import FLOAT_ON
from processes import Running, running
from servers import Mailbox, free_port, mail_server
from waiting import wait_for
from whole.trayrig import head

SEED = 20260504
RIGS = 8  # half of them by the float, half by the level
TURNS = 4  # the water goes up and down again in each
APART = 32.0  # s between two rises: three within a minute would be told as chattering
SHIPPED = 2  # rigs more, by the float with the on_delay it has unless told otherwise
ON_DELAY = FLOAT_ON  # s, that one
SETTLED = 4.0  # s after the first reading before the water moves
PERIOD = 1.0  # s
LOW, HIGH = 70.0, 103.0  # mm: the stop is at 100, contact nears at 115

BUS = """
[[buses]]
name = "tray"
driver = "lines"
port = "{port}"

[[probes]]
name = "water level"
kind = "level"
bus = "tray"
every = 1
address = {{ name = "LVL" }}
zero = 0.0
per_unit = 1.0

[[probes]]
name = "high float"
kind = "float"
bus = "tray"
every = 1
address = {{ name = "FLT" }}
trips_at = 102

[notices.mail]
host = "127.0.0.1"
port = {smtp}
from = "rig@example.org"
to = ["keeper@example.org"]
"""
AT_ONCE = """
[[alarms]]
watch = "overfill"
on_delay = 0
off_delay = 0
"""


@dataclass(slots=True)
class Water:
    """What the front end sees: `by` says whether the float or the level moves."""

    by: str
    up: bool = False
    asked: int = 0

    def answer(self, question: bytes) -> list[bytes]:
        """One line, as the front end would send it."""
        name = question.strip().lstrip(b"?")
        self.asked += 1
        if name == b"FLT":
            body = b"FLT,%d,1" % (self.up and self.by == "float")
        else:
            body = b"LVL,%.1f,mm" % (HIGH if self.up and self.by == "level" else LOW)
        return [body + b"*%02X\n" % reduce(xor, body, 0)]


@dataclass(slots=True)
class Timed(Mailbox):
    """A mailbox that notes when each mail was accepted, by the rig's name in its subject."""

    accepted: list[tuple[float, str]] = field(default_factory=list)

    async def handle_DATA(  # noqa: N802 - the library's name
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take a mail."""
        took = await super(Timed, self).handle_DATA(server, session, envelope)
        self.accepted.append((time.monotonic(), str(self.mails[-1]["Subject"])))
        return took

    def count(self, name: str) -> int:
        """How many mails of a rig are there."""
        return sum(f"{name}:" in subject for _, subject in self.accepted)

    def last(self, name: str) -> float:
        """When the last mail of a rig was accepted."""
        return [at for at, subject in self.accepted if f"{name}:" in subject][-1]


def figures() -> list[Figure]:
    """Measure all."""
    with scratch() as folder, _rigs(folder) as (rigs, box):
        took: list[float] = []
        late: list[float] = []
        lock = threading.Lock()

        def drive(number: int, rig: "_Rig") -> None:
            out = late if rig.shipped else took
            found = rig.drive(box, Random(SEED + number))  # noqa: S311 - no secret
            with lock:
                out.extend(found)

        threads = [
            threading.Thread(target=drive, args=(number, rig)) for number, rig in enumerate(rigs)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(took) == 2 * RIGS * TURNS, f"{len(took)} mails of {2 * RIGS * TURNS}"
    assert len(late) == SHIPPED * TURNS, f"{len(late)} mails of {SHIPPED * TURNS}"
    n = f"{len(took)} changes of float or level, polled each second, on_delay 0"
    p99 = quantiles(took, n=100, method="inclusive")[98]
    return [
        Figure(
            f"{n}: from the hardware to the mail accepted, median",
            median(took),
            "s",
            2.0,
            "half a poll period",
            median(took) / (PERIOD / 2),
        ),
        Figure(f"{n}: the same, p99", p99, "s", 3.0, "a whole poll period", p99 / PERIOD),
        Figure(
            f"{len(late)} rises of the float with its usual on_delay of {ON_DELAY:g} s: median "
            f"(longest {max(late):.2f} s)",
            median(late),
            "s",
            2.0,
            "the on_delay and half a poll period",
            median(late) / (ON_DELAY + PERIOD / 2),
        ),
    ]


@dataclass(slots=True)
class _Rig:
    name: str
    water: Water
    shipped: bool
    process: Running

    def drive(self, box: Timed, chance: Random) -> list[float]:
        """Let the water rise and fall; how long each mail took, s."""
        wait_for(lambda: self.water.asked > 4, what="the first looks", limit=60.0)
        time.sleep(SETTLED)
        found = []
        for _ in range(TURNS):
            until = time.monotonic() + APART
            time.sleep(chance.uniform(0.0, 2 * PERIOD))
            found.append(self._change(box, up=True))
            if self.shipped:  # its end waits 30 s on purpose
                self._change(box, up=False)
                until += APART
            else:
                time.sleep(chance.uniform(PERIOD, 4 * PERIOD))
                found.append(self._change(box, up=False))
            time.sleep(max(0.0, until - time.monotonic()))
        return found

    def _change(self, box: Timed, *, up: bool) -> float:
        before, at = box.count(self.name), time.monotonic()
        self.water.up = up
        wait_for(
            lambda: box.count(self.name) > before,
            what=f"the mail of {self.name}:\n{self.process.log}",
            limit=60.0,
        )
        return box.last(self.name) - at


@contextmanager
def _rigs(folder: Path) -> Iterator[tuple[list[_Rig], Timed]]:
    box = Timed(free_port())
    rigs = []
    with mail_server(mailbox=box), ExitStack() as stack:
        for number in range(RIGS + SHIPPED):
            shipped = number >= RIGS
            water = Water("float" if shipped or number % 2 else "level")
            here = folder / f"rig{number}"
            here.mkdir()
            port = here / "port"
            stack.enter_context(plugged(port, water.answer))
            name = f"rig {number}"
            text = head(name, litres=61.2) + BUS.format(port=port, smtp=box.port)
            rig_file = here / "rig.toml"
            rig_file.write_text(text + ("" if shipped else AT_ONCE))
            rigs.append(_Rig(name, water, shipped, stack.enter_context(running(rig_file))))
        yield rigs, box
