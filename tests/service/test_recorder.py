"""What the recorder makes of the passes it is given, in a real record."""

import queue
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from longsoak.service.buses import Pass
from longsoak.service.clock import SystemClock
from longsoak.service.messages import Happened, Stop
from longsoak.service.pulse import Part
from longsoak.service.recorder import CHORES_WAIT, Message, Recorder
from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import Closer, ask_closer, ask_to_keep
from longsoak.store.reader import Record
from longsoak.store.topuprequests import Fill, ask_fill
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.sample import Absence, Missing, Sample
from service.benchrig import bench


def recorded(
    folder: Path,
    passes: Sequence[Pass],
    *,
    ask: Callable[[], object] = lambda: None,
    closer: Callable[[Closer], Sequence[Pass]] | None = None,
) -> Record:
    """The record after a run that was given these passes and a stop.

    `ask` fills the inbox; with `closer` the stop comes after what that brings.
    """
    clock = SystemClock()
    writer = RecordWriter(folder, now="2031-02-03T04:05:06Z")
    writer.accept_rig("bench", utc_ms=clock.utc_ms())
    writer.begin_run(
        boot=clock.boot,
        software="0",
        utc_ms=clock.utc_ms(),
        boottime_ms=clock.boottime_ms(),
        synchronised=False,
    )
    inbox = Inbox(folder)
    ask()
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    for taken in passes:
        messages.put(taken)
    if closer is None:
        messages.put(Stop())

    def come_closer(wanted: Closer) -> None:
        assert closer is not None
        for taken in closer(wanted):
            messages.put(taken)
        messages.put(Stop())

    recorder = Recorder(
        bench(),
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=Unkept(),
        committed=lambda: None,
        seen=lambda _: None,
        closer=come_closer,
    )
    recorder.run()
    recorder.drain()
    assert recorder.scans_unkept == 0
    writer.close()
    return Record(folder)


def of(at: float, *samples: Sample | Missing, **news: str) -> Pass:
    return Pass("air", samples, at, news.get("down"), news.get("opened"))


def events(record: Record, kind: str) -> list[str]:
    return [event.says for event in reversed(record.events(limit=100)) if event.kind == kind]


def test_a_bus_that_opens_only_to_be_lost_again_is_told_once(tmp_path: Path) -> None:
    """It is tried every half minute, perhaps for months."""
    now = SystemClock().boottime_ms() / 1000
    record = recorded(
        tmp_path,
        [
            of(now + 0.01, opened="2 devices"),
            *(of(now + 0.02 + n / 100, opened="2 devices", down="it hung up") for n in range(5)),
            of(now + 0.1, opened="2 devices"),
        ],
    )
    assert events(record, "bus") == ["open: 2 devices", "down: it hung up", "open: 2 devices"]


def test_what_a_bus_brought_before_it_was_lost_is_kept_with_its_raw_value(tmp_path: Path) -> None:
    now = SystemClock().boottime_ms() / 1000
    lost = of(now, Sample("wood", 18.5, "Cel"), down="it hung up")
    rest = of(now + 0.01, Missing("humid", Absence.NO_ANSWER, "it hung up"), opened="2 devices")
    latest = recorded(tmp_path, [lost, rest]).latest(("wood", "humid"))
    assert (latest["wood"].raw, latest["wood"].value) == (18.5, 18.5)
    assert latest["humid"].value is None
    assert latest["humid"].flag.word == "missing"


def test_a_probe_that_comes_and_goes_all_day_does_not_fill_the_record(tmp_path: Path) -> None:
    now = SystemClock().boottime_ms() / 1000
    silent = Missing("wood", Absence.NO_ANSWER, "nothing came")
    there = Sample("wood", 18.5, "Cel")
    passes = [of(now + n / 100, there if n % 2 else silent) for n in range(40)]
    told = events(recorded(tmp_path, passes), "probe")
    assert len(told) == 6
    assert told[-1].endswith("(told often enough: what follows within minutes is left out)")


def test_each_fall_and_return_of_a_probe_is_told_once(tmp_path: Path) -> None:
    now = SystemClock().boottime_ms() / 1000
    silent = Missing("wood", Absence.NO_ANSWER, "nothing came")
    there = Sample("wood", 18.5, "Cel")
    seen: list[Sample | Missing] = [there, silent, silent, there, there]
    passes = [of(now + n / 100, item) for n, item in enumerate(seen)]
    assert events(recorded(tmp_path, passes), "probe") == [
        "no answer: nothing came",
        "answers again",
    ]


def test_a_closer_look_is_passed_on_and_every_reading_of_it_kept(tmp_path: Path) -> None:
    now = SystemClock().boottime_ms() / 1000
    wanted = Closer(("water level",), 1.0, 30.0)
    asked: list[Closer] = []
    uuids: list[str] = []

    def ask() -> None:
        uuids.extend(
            ask_closer(tmp_path, closer, by="mk", utc_ms=5).uuid
            for closer in (Closer(("nobody",), 1.0, 30.0), wanted)
        )

    def still(start: int) -> list[Pass]:
        # A second apart and all alike: only the first would be kept otherwise.
        return [of(now + start + n, Sample("water level", 72.0, "mm")) for n in range(5)]

    def closer(wanted: Closer) -> Sequence[Pass]:
        asked.append(wanted)
        return still(6)

    record = recorded(tmp_path, still(1), ask=ask, closer=closer)
    assert asked == [wanted]
    assert record.outcome(uuids[0]) == "refused: there is no probe 'nobody' on this rig"
    assert record.outcome(uuids[1]) == "polled every 1 s for 30 s"
    assert len(record.scans_after(0, limit=100)) == 6


def test_a_step_of_a_proof_is_kept_once(tmp_path: Path) -> None:
    entry = ProofEntry(
        0, 5, "2031-02-03T04:05:06Z", Step.READS, "wood", Outcome.BAD, "mk", "4 of 10", {"n": 4}
    )
    uuids: list[str] = []
    record = recorded(tmp_path, [], ask=lambda: uuids.append(ask_to_keep(tmp_path, entry).uuid))
    assert record.outcome(uuids[0]) == "kept"
    (kept,) = record.proof_entries()
    assert kept == replace(entry, id=1)
    assert recorded(tmp_path, []).proof_entries() == [kept]


def test_a_valve_is_not_opened_by_what_was_asked_before_anybody_measured(tmp_path: Path) -> None:
    now_ms = SystemClock().utc_ms()
    uuids: list[str] = []

    def ask() -> None:
        fill = Fill("fill valve", 5.0, "one")
        uuids.extend(
            ask_fill(tmp_path, fill, by="mk", utc_ms=now_ms - ago).uuid for ago in (3600_000, 0)
        )

    record = recorded(tmp_path, [], ask=ask)
    assert [record.outcome(uuid) for uuid in uuids] == [
        "refused: it was asked too long ago",
        "refused: there is no fill valve or pump relay 'fill valve' on this rig",
    ]


class Late(SystemClock):
    """A clock whose monotonic time is some seconds on."""

    on = 0.0

    def monotonic(self) -> float:
        return super().monotonic() + self.on


class Counted:
    """A chore that counts how often it was done."""

    name = "counting"
    done = 0

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        self.done += 1
        return 0.0, ()


def test_chores_are_done_now_and_then_though_messages_never_end(tmp_path: Path) -> None:
    """Or nothing would be sealed, and no day closed. Each part tells of its rounds."""
    clock, chore, rounds = Late(), Counted(), list[Part]()
    writer = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    writer.accept_rig("bench", utc_ms=clock.utc_ms())
    writer.begin_run(
        boot=clock.boot,
        software="0",
        utc_ms=clock.utc_ms(),
        boottime_ms=clock.boottime_ms(),
        synchronised=False,
    )
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    inbox = Inbox(tmp_path)
    recorder = Recorder(
        bench(),
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=Unkept(),
        committed=lambda: None,
        seen=lambda _: None,
        closer=lambda _: None,
        chores=lambda: [chore],
        came_round=rounds.append,
    )

    def turn() -> set[Part]:
        rounds.clear()
        while messages.qsize() < 1000:
            messages.put(Happened("outlet", "mqtt", "something"))
        recorder.turn()
        assert not messages.empty()
        return set(rounds)

    assert turn() == {Part.COMMIT, Part.CALENDAR}
    assert chore.done == 0
    clock.on = CHORES_WAIT + 1
    assert turn() == {*Part}
    assert chore.done == 1
    assert Part.CHORES not in turn()
    recorder.drain()
    inbox.close()
    writer.close()
