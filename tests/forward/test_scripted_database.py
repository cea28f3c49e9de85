"""The forwarder against a scripted server: answers a database gives that can't be had here.

The words of the answers are in the manner of the InfluxDB v2 API reference, from memory.
"""

import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from email.utils import formatdate
from pathlib import Path

import pytest

from longsoak.forward.database import DatabaseForwarder
from longsoak.vocabulary.destinations import Database
from longsoak.vocabulary.errors import ForwardError
from rigs import Keeper, small_rig
from scripted import Answer, Asked, Scripted, scripted_server
from servers import HOST

RIG = small_rig()
TOKEN = "t0ken"  # noqa: S105 - made up


def forwarder(
    keeper: Keeper, url: str, *, refused: list[str] | None = None, patience: float = 10.0
) -> DatabaseForwarder:
    return DatabaseForwarder(
        keeper.record,
        RIG,
        Database(url, org="house", bucket="rig", token_file=None, overlap=2),
        token=TOKEN,
        on_refused=(refused if refused is not None else []).append,
        patience=patience,
    )


def take_all(asked: Asked) -> Answer:
    return 204, ""


def refuse_lines_with(*bad: bytes) -> "Taking":
    return Taking(bad)


class Taking:
    """Takes what has no bad line in it and keeps the lines; else answers like a partial write."""

    def __init__(self, bad: Sequence[bytes] = ()) -> None:
        self.bad = bad
        self.lines: set[bytes] = set()

    def __call__(self, asked: Asked) -> Answer:
        lines = asked.body.split(b"\n")
        good = {line for line in lines if not any(bad in line for bad in self.bad)}
        self.lines |= good
        if len(good) < len(lines):
            return 400, f"partial write: field type conflict dropped={len(lines) - len(good)}"
        return 204, ""


def sent_in(server: Scripted, number: int) -> list[bytes]:
    return server.asked[number].body.split(b"\n")


def test_what_is_asked_is_a_v2_write_with_the_token_and_times_in_ms(tmp_path: Path) -> None:
    with scripted_server(take_all) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.5})
        outlet = forwarder(keeper, server.url)
        outlet.step(0)
        outlet.close()
        (asked,) = server.asked
        path, _, query = asked.path.partition("?")
        assert path == "/api/v2/write"
        assert set(query.split("&")) == {"org=house", "bucket=rig", "precision=ms"}
        assert asked.headers["Authorization"] == f"Token {TOKEN}"
        assert asked.headers["Content-Encoding"] == "gzip"
        assert asked.body.endswith(b" %d" % keeper.now_ms)


def test_a_poisoned_reading_is_left_out_told_and_blocks_nothing(tmp_path: Path) -> None:
    taking = refuse_lines_with(b"value=66.0")
    refused: list[str] = []
    with scripted_server(taking) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": float(i), "RH room": 40.0} for i in range(100)])
        outlet = forwarder(keeper, server.url, refused=refused)
        assert outlet.step(0) == 100
        outlet.close()
    assert len(taking.lines) == 199
    assert len(refused) == 1
    assert "refused 1 of 200 readings and they were left out" in refused[0]
    assert "value=66.0" in refused[0]
    assert "partial write: field type conflict dropped=1" in refused[0]


def test_a_poisoned_reading_alone_at_the_end_is_left_out_too(tmp_path: Path) -> None:
    taking = refuse_lines_with(b"value=66.0")
    refused: list[str] = []
    with scripted_server(taking) as server, Keeper(tmp_path, RIG) as keeper:
        outlet = forwarder(keeper, server.url, refused=refused)
        keeper.scan({"T core": 20.0})
        assert outlet.step(0) == 1
        keeper.scan({"T core": 66.0})
        assert outlet.step(1) == 2
        outlet.close()
    assert len(refused) == 1


def test_readings_all_too_old_for_the_bucket_do_not_block_the_newer_ones(tmp_path: Path) -> None:
    taking = refuse_lines_with(b"probe=T\\ core")
    refused: list[str] = []
    with scripted_server(taking) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": 20.0}] * 700)
        keeper.scans([{"RH room": 40.0}] * 700)
        outlet = forwarder(keeper, server.url, refused=refused)
        position, steps = 0, 0
        while (after := outlet.step(position)) != position:
            position, steps = after, steps + 1
        outlet.close()
    assert position == 1400
    assert len(taking.lines) == 700
    assert len(refused) <= steps <= 30, "told once a step, not once a reading"


def test_a_server_that_refuses_everything_loses_nothing(tmp_path: Path) -> None:
    # As a proxy does that gets plain text at its port for encrypted connections.
    refused: list[str] = []
    healthy = threading.Event()

    def answer(asked: Asked) -> Answer:
        return (204, "") if healthy.is_set() else (400, "The plain HTTP request was sent")

    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": float(i)} for i in range(20)])
        outlet = forwarder(keeper, server.url, refused=refused)
        with pytest.raises(ForwardError, match="refuses everything: 400 The plain HTTP request"):
            outlet.step(0)
        assert refused == []
        healthy.set()
        assert outlet.step(0) == 20
        outlet.close()
        assert len(sent_in(server, -1)) == 20


@pytest.mark.parametrize(
    ("status", "sentence"),
    [
        (401, "refuses the token .401 no.. Look at token_file"),
        (403, "refuses the token .403 no."),
        (404, "has no bucket 'rig', or takes no v2 writes .404 no."),
        (408, "could not take it: 408 no"),
        (429, "could not take it: 429 no"),
        (500, "could not take it: 500 no"),
        (503, "could not take it: 503 no"),
    ],
)
def test_an_answer_that_is_not_about_the_lines_moves_and_drops_nothing(
    tmp_path: Path, status: int, sentence: str
) -> None:
    refused: list[str] = []
    with scripted_server(lambda _: (status, "no")) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": 20.0}] * 3)
        outlet = forwarder(keeper, server.url, refused=refused)
        with pytest.raises(ForwardError, match=sentence):
            outlet.step(0)
        assert len(server.asked) == 1, "the client's own retries must be off"
        assert refused == []
        outlet.close()


# RFC 9110, 10.2.3: seconds, or a date (from memory). The scripted server writes its own date.
@pytest.mark.parametrize(
    ("asked", "seconds"),
    [
        ("120", 120.0),
        ("0", 0.0),
        (3600, 3600.0),
        (-3600, 0.0),
        ("soon", None),
        ("-5", None),
        ("1e9", None),
        ("²", None),
        ("Fri, 31 Feb 2031 00:00:00 GMT", None),
    ],
    ids=["seconds", "none", "a date", "one that is past", *map(str, range(5))],
)
def test_a_server_that_asks_to_be_left_alone_is_heard(
    tmp_path: Path, asked: str | int, seconds: float | None
) -> None:
    if isinstance(asked, int):  # made here, for tests may run long after they were collected
        asked = formatdate(time.time() + asked, usegmt=True)
    headers = {"Retry-After": asked.encode().decode("latin-1")}
    with (
        scripted_server(lambda _: (429, "too much", headers)) as server,
        Keeper(tmp_path, RIG) as keeper,
    ):
        keeper.scan({"T core": 20.0})
        outlet = forwarder(keeper, server.url)
        with pytest.raises(ForwardError, match="429 too much") as error:
            outlet.step(0)
        assert error.value.again_after == (
            None if seconds is None else pytest.approx(seconds, abs=60)
        )
        outlet.close()


def test_a_slow_answer_within_the_limit_is_waited_for(tmp_path: Path) -> None:
    over = threading.Event()

    def slow(asked: Asked) -> Answer:
        over.wait(0.3)
        return 204, ""

    with scripted_server(slow) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        outlet = forwarder(keeper, server.url, patience=5)
        assert outlet.step(0) == 1
        outlet.close()


def test_a_server_that_does_not_answer_is_given_up_after_the_limit(tmp_path: Path) -> None:
    over = threading.Event()

    def slow(asked: Asked) -> Answer:
        over.wait(20)
        return 204, ""

    with scripted_server(slow) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        outlet = forwarder(keeper, server.url, patience=0.3)
        with pytest.raises(ForwardError, match=r"did not answer within 0\.3 s"):
            outlet.step(0)
        over.set()
        outlet.close()


def test_a_server_that_answers_a_letter_at_a_time_is_given_up_too(tmp_path: Path) -> None:
    over = threading.Event()

    def trickle(listening: socket.socket) -> None:
        with listening.accept()[0] as connection, suppress(OSError):
            connection.sendall(b"HTTP/1.1 204 No Content\r\nX-Slow: ")
            while not over.wait(0.05):
                connection.sendall(b"x")

    with socket.create_server((HOST, 0)) as listening, Keeper(tmp_path, RIG) as keeper:
        thread = threading.Thread(target=trickle, args=(listening,))
        thread.start()
        keeper.scan({"T core": 20.0})
        outlet = forwarder(keeper, f"http://{HOST}:{listening.getsockname()[1]}", patience=0.3)
        began = time.monotonic()
        with pytest.raises(ForwardError, match=r"did not end its answer within 0\.6 s"):
            outlet.step(0)
        assert time.monotonic() - began < 3.0
        over.set()
        thread.join()
        outlet.close()


def test_a_kept_connection_is_used_again_and_nothing_is_sent_twice_over_it(tmp_path: Path) -> None:
    with scripted_server(take_all) as server, Keeper(tmp_path, RIG) as keeper:
        outlet = forwarder(keeper, server.url)
        for i in range(10):
            keeper.scan({"T core": float(i)})
            assert outlet.step(i) == i + 1
        outlet.close()
        assert [len(sent_in(server, i)) for i in range(len(server.asked))] == [1] * 10


def test_a_server_that_closes_each_connection_gets_the_overlap_each_time_and_no_loop(
    tmp_path: Path,
) -> None:
    with (
        scripted_server(take_all, keep_alive=False) as server,
        Keeper(tmp_path, RIG) as keeper,
    ):
        outlet = forwarder(keeper, server.url)
        for i in range(6):
            keeper.scan({"T core": float(i)})
            assert outlet.step(i) == i + 1
            assert outlet.step(i + 1) == i + 1
        outlet.close()
        # Overlap 2 s, a scan a second: each new one, then it and the three before once more.
        assert len(server.asked) == 1 + 2 * 5


def test_a_replay_that_fails_half_way_is_made_again_from_its_beginning(tmp_path: Path) -> None:
    answers: list[Answer] = []

    def answer(asked: Asked) -> Answer:
        return answers.pop(0) if answers else (204, "")

    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        # A minute apart, so that only what was sent lately, not what was recorded lately, counts.
        keeper.scans([dict.fromkeys(("T core", "RH room"), 20.0)] * 6000, after=60.0)
        outlet = forwarder(keeper, server.url)
        position = outlet.step(outlet.step(0))
        assert position == 5000
        answers += [(503, "busy"), (204, ""), (503, "busy")]
        for _ in range(2):
            with pytest.raises(ForwardError, match="503 busy"):
                outlet.step(position)
        server.asked.clear()
        assert outlet.step(position) == 6000
        outlet.close()
        assert sum(len(sent_in(server, i)) for i in range(len(server.asked))) == 12_000
