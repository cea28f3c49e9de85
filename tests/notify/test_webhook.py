"""Notices posted to a real web server, encrypted and not, that answers as it likes."""

import json
import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from brokers import schema
from longsoak.notify.route import RouteNotices
from longsoak.notify.webhook import WebhookCarrier, headers_of
from longsoak.vocabulary.errors import NoticeError, PartlyError
from longsoak.vocabulary.notices import Route, Way
from longsoak.vocabulary.rig import Rig
from notify.routing import Clocks, Told, a_route, to_mk
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, START_MS, Keeper, small_rig
from scripted import Answer, Asked, scripted_server
from servers import HOST, free_port, make_certificates

HIGH, MEDIUM = "overfill: water level", "silent: C 30/60"
RIG = small_rig(name="pair")
TO_ALL = Route("webhook", Way.WEBHOOK)
NOTICE = Draft202012Validator(schema("notice"))


def taken(_asked: Asked) -> Answer:
    return 204, ""


def in_turn(*answers: Answer) -> Callable[[Asked], Answer]:
    """A server that gives these answers, and the last one for ever."""
    left = list(answers)
    return lambda _asked: left.pop(0) if len(left) > 1 else left[0]


def route(
    keeper: Keeper,
    url: str,
    *,
    to: Route = TO_ALL,
    told: Told | None = None,
    headers: dict[str, str] | None = None,
    tls: ssl.SSLContext | None = None,
    patience: float = 10.0,
    rig: Rig = RIG,
) -> RouteNotices:
    carrier = WebhookCarrier(
        url, headers=headers or {}, tls=tls or ssl.create_default_context(), patience=patience
    )
    return a_route(to, keeper.record, rig, carrier, now=Clocks(START_MS), told=told)


def bodies(asked: list[Asked]) -> list[dict[str, Any]]:
    found = [json.loads(one.body) for one in asked]
    for body in found:
        NOTICE.validate(body)
    return found


def test_each_change_is_posted_by_itself_with_what_it_means_and_a_key(tmp_path: Path) -> None:
    with scripted_server(taken) as server, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, f"{server.url}/hook?x=1", headers={"Authorization": "Bearer t"})
        keeper.change(HIGH, NORMAL, NEW, value=112.0, says="112 mm, setpoint 100 mm")
        keeper.change(HIGH, NEW, ACKNOWLEDGED, by="mk")
        keeper.change(HIGH, ACKNOWLEDGED, NORMAL, value=90.0)
        assert [outlet.step(0), outlet.step(1), outlet.step(3)] == [1, 3, 3]
        first, second = bodies(server.asked)
        assert server.asked[0].path == "/hook?x=1"
        assert server.asked[0].headers["Authorization"] == "Bearer t"
        assert server.asked[0].headers["Content-Type"] == "application/json"
        assert [one.headers["Idempotency-Key"] for one in server.asked] == [
            first["key"],
            second["key"],
        ]
        assert first["key"] != second["key"]
        assert first["subject"] == "High priority, pair: water above the stop line"
        (alarm,) = first["alarms"]
        assert alarm["cause"] == "The top-up went on too long."
        assert alarm["actions"][0] == "Stop the top-up."
        assert alarm["since"] == "2026-05-04T09:00:01.000Z"
        assert alarm["act_until"] == "2026-05-04T09:15:01.000Z"
        (over,) = second["alarms"]
        assert (over["state"], over["act_until"]) == ("normal", None)
        assert over["since"] == "2026-05-04T09:00:01.000Z"


def test_a_person_gets_what_waited_in_one_post(tmp_path: Path) -> None:
    with scripted_server(taken) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.change(HIGH, NORMAL, NEW)
        keeper.change(MEDIUM, NORMAL, NEW)
        assert route(keeper, server.url, to=to_mk(Way.WEBHOOK)).step(0) == 2
        (body,) = bodies(server.asked)
        assert [alarm["alarm"] for alarm in body["alarms"]] == [HIGH, MEDIUM]
        assert body["first_out"] == HIGH


@pytest.mark.parametrize("status", [500, 502, 503, 408, 429])
def test_an_answer_that_may_change_is_tried_again_under_the_same_key(
    tmp_path: Path, status: int
) -> None:
    answer = in_turn((status, "busy", {"Retry-After": "7"}), (200, "thank you"))
    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, server.url)
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError, match=f"answers {status}") as error:
            outlet.step(0)
        assert error.value.again_after == 7.0
        assert outlet.step(0) == 1
        first, again = bodies(server.asked)
        assert first == again


def test_when_to_come_again_may_be_a_date_by_the_server_s_own_clock(tmp_path: Path) -> None:
    soon = format_datetime(datetime.now(UTC) + timedelta(minutes=30), usegmt=True)
    # RFC 9110, 10.2.3, whose example the second is, from memory: long past.
    for said, least, most in (
        (soon, 1700.0, 1801.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", 0.0, 0.0),
    ):
        answer = in_turn((503, "", {"Retry-After": said}))
        with (
            scripted_server(answer) as server,
            Keeper(tmp_path / said[5:11], RIG) as keeper,
        ):
            keeper.change(HIGH, NORMAL, NEW)
            with pytest.raises(NoticeError) as error:
                route(keeper, server.url).step(0)
            assert error.value.again_after is not None
            assert least <= error.value.again_after <= most


@pytest.mark.parametrize("said", ["soon", "-5", "1e9", "Fri, 31 Dec 1999"])
def test_what_is_no_time_to_come_again_is_not_heeded(tmp_path: Path, said: str) -> None:
    answer = in_turn((503, "", {"Retry-After": said}))
    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError) as error:
            route(keeper, server.url).step(0)
        assert error.value.again_after is None


@pytest.mark.parametrize("status", [400, 401, 403, 404, 410, 413, 422])
def test_a_refusal_is_told_and_holds_back_nothing_that_follows(tmp_path: Path, status: int) -> None:
    answer = in_turn((status, "no such hook"), (200, ""))
    told = Told()
    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, server.url, told=told)
        keeper.change(HIGH, NORMAL, NEW)
        keeper.change(HIGH, NEW, GONE)
        assert outlet.step(0) == 1
        (says,) = told.refused
        assert says is not None
        assert says.startswith(f"the webhook's server {HOST}: {status}")
        assert "no such hook" in says
        assert told.events == []
        assert outlet.step(1) == 2
        assert told.refused[1:] == [None]


def test_a_redirect_is_not_followed_but_told_and_tried_again(tmp_path: Path) -> None:
    with (
        scripted_server(taken) as other,
        scripted_server(in_turn((308, "", {"Location": other.url}))) as server,
        Keeper(tmp_path, RIG) as keeper,
    ):
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError, match="308, a redirect, which is not followed"):
            route(keeper, server.url).step(0)
        assert other.asked == []


def test_the_certificate_is_checked_and_the_secret_never_told(tmp_path: Path) -> None:
    made = make_certificates(tmp_path)
    both = tmp_path / "both.pem"
    both.write_bytes(made.server.read_bytes() + made.server_key.read_bytes())
    trusting = ssl.create_default_context(cafile=made.authority)
    with (
        scripted_server(taken, certificate=both) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError) as error:
            route(keeper, f"{server.url}/secret").step(0)
        assert "its certificate is not believed" in str(error.value)
        assert "secret" not in str(error.value)
        assert not isinstance(error.value, PartlyError)  # nothing had been sent
        assert route(keeper, f"{server.url}/secret", tls=trusting).step(0) == 1
        assert [one.path for one in server.asked] == ["/secret"]


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("http://example.org/hook", "is not https"),
        ("ftp://localhost/hook", "is not https"),
        ("", "holds no address"),
        ("https://", "holds no address"),
        ("https://host:99999/", "holds no address"),
        ("https://host/a\r\nX-Evil: 1", "holds no address"),
        ("https://host/ä", "holds no address"),
    ],
)
def test_an_address_that_can_not_be_or_sends_a_secret_in_the_clear_is_refused(
    url: str, sentence: str
) -> None:
    with pytest.raises(NoticeError, match=sentence):
        WebhookCarrier(url, headers={}, tls=ssl.create_default_context())


def test_a_server_that_is_away_or_hangs_is_told(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper, socket.create_server((HOST, 0)) as mute:
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError, match="Connection refused") as error:
            route(keeper, f"http://{HOST}:{free_port()}").step(0)
        assert not isinstance(error.value, PartlyError)
        with pytest.raises(PartlyError, match=r"failed: "):
            route(keeper, f"http://{HOST}:{mute.getsockname()[1]}", patience=0.3).step(0)


def test_a_server_that_says_a_byte_now_and_then_is_given_up_all_the_same(tmp_path: Path) -> None:
    def drip(server: socket.socket, over: threading.Event) -> None:
        line, _ = server.accept()
        with line:
            while not over.wait(0.05):
                try:
                    line.sendall(b"H")
                except OSError:
                    return

    over = threading.Event()
    with Keeper(tmp_path, RIG) as keeper, socket.create_server((HOST, 0)) as server:
        thread = threading.Thread(target=drip, args=(server, over))
        thread.start()
        keeper.change(HIGH, NORMAL, NEW)
        began = time.monotonic()
        with pytest.raises(NoticeError):
            route(keeper, f"http://{HOST}:{server.getsockname()[1]}", patience=0.5).step(0)
        assert time.monotonic() - began < 5.0
        over.set()
        thread.join(5)


def test_a_lost_answer_sends_the_very_same_again_though_more_has_come(tmp_path: Path) -> None:
    drop = [True]

    def answer(_asked: Asked) -> Answer:
        if drop.pop():
            drop.append(False)
            raise ConnectionAbortedError  # after it has come: nobody knows whether it was taken
        drop.append(False)
        return 200, ""

    with scripted_server(answer) as server, Keeper(tmp_path, RIG) as keeper:
        server.handle_error = lambda *_: None  # type: ignore[method-assign]  # not to the terminal
        outlet = route(keeper, server.url, to=to_mk(Way.WEBHOOK))
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(PartlyError):
            outlet.step(0)
        keeper.change(MEDIUM, NORMAL, NEW)
        assert [outlet.step(0), outlet.step(1)] == [1, 2]
        keys = [one.headers["Idempotency-Key"] for one in server.asked]
        assert keys[0] == keys[1] != keys[2]
        assert bodies(server.asked)[0] == bodies(server.asked)[1]


def test_changes_of_one_number_in_two_records_have_two_keys(tmp_path: Path) -> None:
    from longsoak.notify.compose import of_changes

    with Keeper(tmp_path, RIG) as keeper:
        keeper.change(HIGH, NORMAL, NEW)
        changes = keeper.record.alarm_changes_after(0, limit=1)
    keys = {
        of_changes(RIG, changes, record=record, route=to, came={}).key
        for record in ("one", "other")
        for to in ("webhook", "webhook to mk")
    }
    assert len(keys) == 4


def test_headers_are_a_line_each_and_a_bad_one_is_told_by_its_number_alone() -> None:
    assert headers_of("# a token\nAuthorization: Bearer t\n\nX-Rig:  pair \n") == {
        "Authorization": "Bearer t",
        "X-Rig": "pair",
    }
    for text in ("secret", "A: b\nContent-Length: 3", "X y: z", "X: ä"):
        with pytest.raises(NoticeError) as error:
            headers_of(text)
        assert f"line {len(text.splitlines())} of headers_file" in str(error.value)
        assert "secret" not in str(error.value)


def test_the_page_and_that_all_is_invented_are_told_to_programs_too(tmp_path: Path) -> None:
    rig = replace(RIG, page=None, invented=False)
    with scripted_server(taken) as server, Keeper(tmp_path, rig) as keeper:
        keeper.change("gone: long since", NEW, GONE)
        assert route(keeper, server.url, rig=rig).step(0) == 1
        (body,) = bodies(server.asked)
        assert (body["page"], body["invented"]) == (None, False)
