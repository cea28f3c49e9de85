"""Signs of life, to a real web server: only for what was read back, and never more than due."""

import queue
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from longsoak.service import heartbeat
from longsoak.service.heartbeat import HeartbeatWorker
from longsoak.service.messages import OutletNews
from longsoak.service.verified import Seen, Verified
from longsoak.vocabulary.destinations import Heartbeat
from rigs import START_MS, Keeper, small_rig
from scripted import Asked, Scripted, scripted_server
from servers import free_port, make_certificate
from service.test_verified import Moving
from waiting import wait_for

RIG = small_rig()
SECRET = "/beat/6f1c-secret"  # noqa: S105 - of nobody


class Live(Moving):
    """What is counted is put on by hand, but waiting takes its time."""

    def monotonic(self) -> float:
        return time.monotonic()


class Counted(Verified):
    """Counts its looks, so that a test knows how often nothing came of one."""

    looks = 0

    def look(self) -> Seen:
        seen = super().look()
        self.looks += 1
        return seen


class Beating:
    """A heartbeat over a real record."""

    def __init__(self, folder: Path, keeper: Keeper, **settings: str | float | None) -> None:
        self.clock = Live(START_MS)
        self.keeper = keeper
        self.news: queue.SimpleQueue[OutletNews] = queue.SimpleQueue()
        self.stop = threading.Event()
        self.verified = Counted(
            keeper.record.folder,
            clock=self.clock,
            within=180.0,
            since_ms=self.clock.boottime_ms(),
            turned=time.monotonic,
        )
        self.worker = HeartbeatWorker(
            Heartbeat(**{"every": 0.05, **settings}),  # type: ignore[arg-type]  # as each key has it
            beside=folder,
            verified=self.verified,
            clock=self.clock,
            stop=self.stop,
            put=self.news.put,
            patience=2.0,
        )

    def scan(self, value: float | None = 20.0) -> None:
        """Commit one more scan."""
        self.keeper.scan({"T core": value})
        self.clock.at(self.keeper)

    def looks(self, more: int) -> None:
        """Wait until it has looked so many times more."""
        wanted = self.verified.looks + more
        wait_for(lambda: self.verified.looks >= wanted, what="looks")


@contextmanager
def beating(folder: Path, **settings: str | float | None) -> Iterator[Beating]:
    with Keeper(folder / "record", RIG) as keeper:
        one = Beating(folder, keeper, **settings)
        one.worker.start()
        try:
            yield one
        finally:
            one.stop.set()
            one.worker.join(10)
            assert not one.worker.is_alive()


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat, "LOOK", 0.01)


def well(_asked: Asked) -> tuple[int, str]:
    return 200, ""


def beats(server: Scripted, wanted: int) -> None:
    wait_for(lambda: len(server.asked) >= wanted, what=f"{wanted} beats")


def test_one_beat_for_each_look_that_found_something_new_and_none_without(tmp_path: Path) -> None:
    with scripted_server(well) as server, beating(tmp_path, url=f"{server.url}{SECRET}") as one:
        one.looks(3)
        assert server.asked == []
        one.scan()
        beats(server, 1)
        one.looks(10)
        one.scan(None)  # kept, but nothing was measured
        one.looks(10)
        assert len(server.asked) == 1
        one.scan()
        beats(server, 2)
        one.looks(10)
        assert [(asked.path, asked.body) for asked in server.asked] == [(SECRET, b"")] * 2
        assert server.asked[0].headers["User-Agent"].startswith("longsoak/")


def test_beats_keep_their_distance_however_much_is_measured(tmp_path: Path) -> None:
    times: list[float] = []

    def answer(_asked: Asked) -> tuple[int, str]:
        times.append(time.monotonic())
        return 200, ""

    with scripted_server(answer) as server, beating(tmp_path, url=server.url, every=0.4) as one:
        for _ in range(60):
            one.scan()
            time.sleep(0.02)
        beats(server, 3)
    assert min(b - a for a, b in pairwise(times)) >= 0.35


def test_one_that_is_not_taken_is_told_and_tried_at_the_next_and_none_pile_up(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    answers = iter([503, 503, 200])

    def answer(_asked: Asked) -> tuple[int, str]:
        return next(answers), ""

    with scripted_server(answer) as server, beating(tmp_path, url=f"{server.url}{SECRET}") as one:
        one.scan()
        beats(server, 3)
        one.looks(10)
        assert len(server.asked) == 3
        told = [one.news.get(timeout=5) for _ in range(3)]
    host = server.url.removeprefix("http://")
    away = f"{host} answered 503 Service Unavailable"
    assert told == [
        OutletNews("heartbeat", away), OutletNews("heartbeat", away), OutletNews("heartbeat", None),
    ]  # fmt: skip
    assert SECRET not in caplog.text


def test_why_nobody_was_reached_is_told_without_the_secret(tmp_path: Path) -> None:
    def never(_asked: Asked) -> tuple[int, str]:
        done.wait(10)
        return 200, ""

    done = threading.Event()
    port = free_port()
    with scripted_server(never) as silent:
        for url, says in (
            (f"http://127.0.0.1:{port}{SECRET}", f"127.0.0.1:{port} can't be reached: Connection"),
            (f"{silent.url}{SECRET}", "did not answer in time"),
            (f"http://[::1{SECRET}", "the address is none that can be understood"),
        ):
            with beating(tmp_path / str(abs(hash(url))), url=url) as one:
                one.scan()
                told = one.news.get(timeout=10).away
            assert told is not None
            assert says in told
            assert SECRET not in told
        done.set()


def test_the_address_is_read_from_its_file_anew_each_time(tmp_path: Path) -> None:
    with scripted_server(well) as server, beating(tmp_path, url_file="address") as one:
        one.scan()
        told = one.news.get(timeout=5).away
        assert told == f"the address in {tmp_path / 'address'} can't be read: {NO_FILE}"
        (tmp_path / "address").write_text("example.org\n")
        wait_for(lambda: "holds no web address" in (one.news.get(timeout=5).away or ""), what="it")
        (tmp_path / "address").write_text(f"{server.url}{SECRET}\n")
        beats(server, 1)
        assert server.asked[0].path == SECRET


NO_FILE = "No such file or directory"


def test_a_certificate_is_checked_against_the_authority_that_is_named(tmp_path: Path) -> None:
    both = make_certificate(tmp_path)
    with scripted_server(well, certificate=both) as server:
        with beating(tmp_path / "trusting", url=server.url, ca_file=str(both)) as one:
            one.scan()
            beats(server, 1)
        with beating(tmp_path / "not", url=server.url) as one:
            one.scan()
            told = one.news.get(timeout=5).away or ""
        assert "shows a certificate that is not trusted" in told
        with beating(tmp_path / "none", url=server.url, ca_file="none.pem") as one:
            one.scan()
            told = one.news.get(timeout=5).away or ""
        assert told == f"{tmp_path / 'none' / 'none.pem'} can't be read: {NO_FILE}"
        assert len(server.asked) == 1


def test_a_clock_that_is_set_back_meanwhile_stops_no_beat(tmp_path: Path) -> None:
    with scripted_server(well) as server, beating(tmp_path, url=server.url) as one:
        one.clock.set_back(40 * 365 * 86_400_000)
        one.scan()
        beats(server, 1)
