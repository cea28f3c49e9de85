"""An outlet's thread survives whatever its outlet does, and its cursor never runs ahead."""

import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from longsoak.service.clock import SystemClock
from longsoak.service.messages import CursorMoved, OutletNews
from longsoak.service.outlets import SHORTEST_REST, OutletWorker
from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import ForwardError, NoticeError
from longsoak.vocabulary.outlet import Outlet
from waiting import wait_for


class Scripted:
    """An outlet with ten things to send; `trouble` may raise before any of them."""

    name = "scripted"

    def __init__(self, trouble: Callable[[int], None] = lambda _: None) -> None:
        self.sent: list[int] = []
        self.closed = False
        self._trouble = trouble

    def step(self, position: int) -> int:
        if position >= 10:
            return position
        self._trouble(position + 1)
        self.sent.append(position + 1)
        return position + 1

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def record(tmp_path: Path) -> Record:
    writer = RecordWriter(tmp_path, now="2031-01-01T00:00:00Z")
    writer.commit(Batch(cursors={"scripted": (2, 0)}))
    writer.close()
    return Record(tmp_path)


@contextmanager
def worker(
    record: Record, build: Callable[[], Outlet], *, settle: float = 0.0
) -> Iterator["queue.SimpleQueue[OutletNews | CursorMoved]"]:
    news: queue.SimpleQueue[OutletNews | CursorMoved] = queue.SimpleQueue()
    thread = OutletWorker(
        "scripted",
        build=build,
        record=record,
        clock=SystemClock(),
        settle=settle,
        report=news.put,
    )
    thread.start()
    try:
        yield news
    finally:
        thread.stop()
        thread.join(15)
    assert not thread.is_alive()


def until(news: "queue.SimpleQueue[OutletNews | CursorMoved]", wanted: object) -> list[object]:
    seen: list[object] = []
    while wanted not in seen:
        seen.append(news.get(timeout=10))
    return seen


def test_it_goes_on_from_its_cursor_and_reports_where_it_came_to(record: Record) -> None:
    outlet = Scripted()
    with worker(record, lambda: outlet) as news:
        until(news, CursorMoved("scripted", 10))
    assert outlet.sent == [3, 4, 5, 6, 7, 8, 9, 10]
    assert outlet.closed


def test_a_failure_is_told_and_nothing_is_sent_twice(record: Record) -> None:
    failures = iter([NoticeError("the other end is away"), ZeroDivisionError()])

    def trouble(number: int) -> None:
        if number == 6 and (failure := next(failures, None)) is not None:
            raise failure

    outlet = Scripted(trouble)
    with worker(record, lambda: outlet) as news:
        seen = until(news, OutletNews("scripted", "the other end is away"))
        assert CursorMoved("scripted", 5) in seen
        until(news, OutletNews("scripted", "failed: ZeroDivisionError()"))
    # Stopping gives it one last attempt, from where it stood.
    assert outlet.sent == [3, 4, 5, 6, 7, 8, 9, 10]


def test_an_outlet_that_cannot_be_built_is_tried_again(record: Record) -> None:
    outlet = Scripted()
    failures = iter([NoticeError("the secret can't be read")])

    def build() -> Outlet:
        if (failure := next(failures, None)) is not None:
            raise failure
        return outlet

    with worker(record, build) as news:
        until(news, OutletNews("scripted", "the secret can't be read"))
        until(news, CursorMoved("scripted", 10))


def test_a_cursor_that_settles_stays_behind_what_was_only_just_acknowledged(
    record: Record,
) -> None:
    outlet = Scripted()
    with worker(record, lambda: outlet, settle=3600.0) as news:
        until(news, OutletNews("scripted", None))
    assert outlet.sent[-1] == 10
    assert [n for n in iter_all(news) if isinstance(n, CursorMoved)] == []


def iter_all(news: "queue.SimpleQueue[OutletNews | CursorMoved]") -> Iterator[object]:
    while not news.empty():
        yield news.get()


@pytest.mark.parametrize("kind", [ForwardError, NoticeError])
def test_an_outlet_is_left_alone_as_long_as_the_other_end_asks_and_a_stop_waits_for_nothing(
    record: Record, kind: type[ForwardError] | type[NoticeError]
) -> None:
    asked = iter([kind("too much", again_after=0.0), kind("a", again_after=500.0)])

    def trouble(number: int) -> None:
        if (error := next(asked, None)) is not None:
            raise error

    outlet = Scripted(trouble)
    began = time.monotonic()
    with worker(record, lambda: outlet) as news:
        until(news, OutletNews("scripted", "too much"))
        until(news, OutletNews("scripted", "a"))
        assert 1.0 <= time.monotonic() - began < 10.0  # never less than it would rest by itself
        with pytest.raises(queue.Empty):
            news.get(timeout=2.5)  # by itself it would rest 2 s
    assert outlet.sent == [3, 4, 5, 6, 7, 8, 9, 10]  # the last attempt, at the stop


class Endless(Scripted):
    """An outlet that fails once, and then does not come to an end before `enough`."""

    enough = threading.Event()

    def step(self, position: int) -> int:
        self._trouble(position)
        return position if self.enough.wait(0.01) else position + 1


def test_a_catch_up_of_hours_is_told_as_well_and_its_cursor_saved_while_it_goes_on(
    record: Record,
) -> None:
    failures = iter([NoticeError("away")])

    def trouble(position: int) -> None:
        if (failure := next(failures, None)) is not None:
            raise failure

    with worker(record, lambda: Endless(trouble), settle=0.2) as news:
        until(news, OutletNews("scripted", "away"))
        assert news.get(timeout=10) == OutletNews("scripted", None)
        moved = [news.get(timeout=10) for _ in range(2)]
        Endless.enough.set()
    assert all(isinstance(one, CursorMoved) and one.position > 2 for one in moved)


class GoingBack(Scripted):
    """An outlet that finds at its end, once, that all after 4 has to be sent again."""

    def step(self, position: int) -> int:
        if position >= 10 and self.sent.count(10) == 1:
            return 4
        return super().step(position)


def test_an_outlet_that_goes_back_has_that_saved_at_once(record: Record) -> None:
    outlet = GoingBack()
    with worker(record, lambda: outlet, settle=3600.0) as news:
        seen = until(news, CursorMoved("scripted", 4))
        wait_for(lambda: outlet.sent == [*range(3, 11), *range(5, 11)], what="all of it again")
    assert sum(isinstance(one, CursorMoved) for one in seen) == 1


def test_another_record_is_walked_from_its_own_cursor_by_an_outlet_made_anew(
    record: Record, tmp_path: Path
) -> None:
    outlets: list[Scripted] = []

    def build() -> Outlet:
        # The one before is closed once there is another: they may share a connection.
        assert not any(outlet.closed for outlet in outlets)
        outlets.append(Scripted())
        return outlets[-1]

    news: queue.SimpleQueue[OutletNews | CursorMoved] = queue.SimpleQueue()
    thread = OutletWorker(
        "scripted",
        build=build,
        record=record,
        clock=SystemClock(),
        settle=0.0,
        report=news.put,
    )
    thread.start()
    try:
        until(news, CursorMoved("scripted", 10))
        writer = RecordWriter(tmp_path, now="2031-01-01T00:00:00Z")
        writer.commit(Batch(cursors={"scripted": (7, 0)}))
        writer.close()
        thread.begin_again()
        until(news, CursorMoved("scripted", 10))
    finally:
        thread.stop()
        thread.join(15)
    assert [outlet.sent for outlet in outlets] == [[*range(3, 11)], [8, 9, 10]]
    assert all(outlet.closed for outlet in outlets)


@pytest.mark.parametrize(("asked", "early"), [(None, True), (500.0, False)])
def test_a_call_ends_a_rest_early_where_it_is_urgent_but_none_that_was_asked_for(
    record: Record, asked: float | None, early: bool
) -> None:
    attempts: list[float] = []

    def trouble(number: int) -> None:
        attempts.append(time.monotonic())
        raise NoticeError("away", again_after=asked if len(attempts) == 3 else None)

    thread = OutletWorker(
        "scripted",
        build=lambda: Scripted(trouble),
        record=record,
        clock=SystemClock(),
        settle=0.0,
        report=lambda _: None,
        hurry=True,
    )
    thread.start()
    try:
        wait_for(lambda: len(attempts) == 3, what="three attempts, the last before 4 s of rest")
        thread.wake()
        called = time.monotonic()
        if early:
            wait_for(lambda: len(attempts) == 4, what="the next attempt", limit=3.0)
            assert attempts[3] - attempts[2] >= SHORTEST_REST
        else:
            time.sleep(SHORTEST_REST + 0.5)  # an attempt would be one too many
            assert len(attempts) == 3
        assert time.monotonic() - called < 3.0
    finally:
        thread.stop()
        thread.join(15)
    assert not thread.is_alive()
