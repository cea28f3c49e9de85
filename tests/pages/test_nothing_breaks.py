"""Garbage, floods and slowness from outside: clean answers, and no growth in memory. Loopback."""

import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from longsoak.store.photos import keep_photo
from longsoak_dashboards import server
from pages.attacking import (
    Keepers,
    connect,
    dribbled,
    is_clean,
    memory_kb,
    opened,
    request,
    rest_of,
    sent,
    sockets_of,
    status_of,
)
from pages.callers import KEEPERS, VISITORS, Caller, basic, with_passwords
from pages.pagerig import Kept, keep
from pages.pictures import png
from pages.serving import Served, now_ms, serve
from waiting import wait_for

pytestmark = pytest.mark.long

SECRET = "root:"  # noqa: S105 - how /etc/passwd begins
ODD = (
    "", "\0", "a\0b", ".", "..", "../..", "../../../../../../etc/passwd", "..\\..\\x",
    "/etc/passwd", "//evil.example", "\r\nSet-Cookie: a=b", "\udcff", "x" * 5000, "٣", "9" * 400,
    "-1", "1e309", "nan", "inf", "'", "\"><b>", "%", "\u202e", "0", "999999999999999", "1@1,",
    "0@1,1@2", ";", "~", "cork-lime 30/60\0", "%2e%2e/%2e%2e/etc/passwd", "{{7*7}}", "C:\\x",
    "CON", "a" * 255 + ".jpg",
)  # fmt: skip
FOLDERS = (
    "/", "/static/", "/probe/", "/logbook/photo/", "/proof/photo/", "/proof/at/", "/proof/card/",
)  # fmt: skip
ASKED = {
    "/": ("x",),
    "/traces": ("what", "hours", "bay", "depth", "aside", "gaps"),
    "/water": ("since", "asked"),
    "/alarms": ("asked", "key"),
    "/logbook": ("asked", "since", "upto", "about", "corrects"),
    "/proof/touch": ("since", "want"),
    "/proof/at/water%20level": ("poured", "float"),
    "/proof/at/high%20float": ("float",),
    "/proof/certificate": ("of",),
    "/proof/who": ("back",),
    "/probe/water%20level": ("aside",),
    "/login": ("to",),
}


@pytest.fixture(scope="module")
def attacked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Kept, Served, Keepers]]:
    """A rig with passwords, and whoever may change it as often as is asked for."""
    now = now_ms()
    kept = keep(tmp_path_factory.mktemp("attacked") / "r", times=[now - 900_000, now], now_ms=now)
    with serve(with_passwords(kept.rig_file)) as served:
        yield kept, served, Keepers(kept.rig_file)
    kept.close()


def head_of(answer: bytes) -> bytes:
    return answer.partition(b"\r\n\r\n")[0].lower()


def quoted(words: str) -> str:
    return quote(words.encode("utf-8", "surrogateescape"), safe="")


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_path_leads_out_of_its_folder_or_breaks_a_sheet(
    attacked: tuple[Kept, Served, Keepers], folder: str
) -> None:
    _, served, keepers = attacked
    for odd in ODD:
        for path in (quoted(odd), quoted(quoted(odd)), quote(odd, safe="/.\\%", errors="replace")):
            # With and without a session: what lies before the login is looked at too.
            for cookie in (keepers.another()[0], ""):
                answer = sent(served, request(folder + path, cookie=cookie))
                assert is_clean(answer), (folder, odd)
                assert SECRET.encode() not in answer
                assert b"\r\nset-cookie: a=b" not in head_of(answer)


@pytest.mark.parametrize("path", ASKED)
def test_nothing_in_a_query_breaks_a_sheet_or_adds_a_header(
    attacked: tuple[Kept, Served, Keepers], path: str
) -> None:
    _, served, keepers = attacked
    for name in ASKED[path]:
        for odd in ODD:
            cookie = f"{keepers.another()[0]}; initials=mk"
            for query in (f"{name}={quoted(odd)}", f"{quoted(odd)}={name}&{name}={name}"):
                answer = sent(served, request(f"{path}?{query}", cookie=cookie))
                assert is_clean(answer), (path, name, odd)
                assert b"\r\nset-cookie: a=b" not in head_of(answer)
                assert b"<b>" not in answer.partition(b"</style>")[2] or path != "/alarms"


OWN = b" HTTP/1.1\r\nHost: 127.0.0.1\r\n"
HEADS = (
    b"\r\n\r\n",
    b"\0" * 1000,
    b"GET\r\n\r\n",
    b"GET / HTTP/9.9\r\n\r\n",
    b"\x16\x03\x01\x02\x00",  # as TLS begins
    b"GET / HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: \xff\xfe\r\n\r\n",
    b"GET /" + OWN + b"X: a\rb\r\n\r\n",
    b"GET /" + OWN + b"X : a\r\n\r\n",
    b"GET /\xff" + OWN + b"\r\n",
    b"GET /" + b"a" * 100_000 + OWN + b"\r\n",
    b"GET /" + OWN + b"X: " + b"a" * 100_000 + b"\r\n\r\n",
    b"GET /" + OWN + b"A: b\r\n" * 20_000 + b"\r\n",
    b"GET /" + OWN + b"Upgrade: websocket\r\nConnection: upgrade, close\r\n\r\n",
    b"GET /" + OWN + b"Cookie: " + b"a=b; " * 2000 + b"\r\n\r\n",
    b"POST /login" + OWN + b"Content-Length: -1\r\n\r\n",
    b"POST /login" + OWN + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nabc",
    b"POST /login" + OWN + b"Transfer-Encoding: x\r\n\r\n",
    b"POST /login" + OWN + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"POST /login" + OWN + b"Transfer-Encoding: chunked\r\nContent-Length: 3\r\n\r\n0\r\n\r\n",
    b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    b"CONNECT evil.example:443 HTTP/1.1\r\nHost: x\r\n\r\n",
    b"GET http://evil.example/" + OWN + b"Connection: close\r\n\r\n",
    b"OPTIONS *" + OWN + b"Connection: close\r\n\r\n",
)


@pytest.mark.parametrize("data", HEADS, ids=range(len(HEADS)))
def test_a_head_that_is_none_is_refused_cleanly(
    attacked: tuple[Kept, Served, Keepers], data: bytes
) -> None:
    _, served, _ = attacked
    with connect(served) as connection:
        try:
            connection.sendall(data)
            connection.shutdown(1)  # nothing more comes
        except OSError:
            pass  # it was shut in the midst of it
        answer = rest_of(connection)
    assert is_clean(answer)
    assert status_of(answer) not in (200, 101), answer[:200]


def multipart(*parts: bytes, end: bytes = b"--x--\r\n") -> bytes:
    return b"".join(b"--x\r\n" + part + b"\r\n" for part in parts) + end


def field(name: str, value: bytes, more: bytes = b"") -> bytes:
    head = b'Content-Disposition: form-data; name="' + name.encode() + b'"' + more
    return head + b"\r\n\r\n" + value


def bodies(token: str) -> list[tuple[str, bytes]]:
    own = field("token", token.encode())
    file = b'; filename="'
    form, upload = "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"
    plain = f"token={token}".encode()
    return [
        (form, plain),
        (form, plain + b"&by=%00%ff&key=%0d%0aX:y&text=%ed%a0%80&since=%00&probe=%00&litres=nan"),
        (form, plain + b"&a=b" * 150),
        (form, plain + b"&a=b" * 4000),
        (form, plain + b"&" + b"a" * 20_000),
        (f"{form}; charset=utf-16", plain),
        ("text/plain", plain),
        ("", plain),
        (upload, b""),
        (upload, b"--x\r\n" * 1000),
        (upload, multipart(own)),
        (upload, multipart(own, field("text", b"\xff\xfe"), field("by", b"\0"))),
        (upload, multipart(own, *[field("a", b"b")] * 500)),
        (upload, multipart(own, *[field("photo", b"x", file + b'x.jpg"')] * 40)),
        (upload, multipart(own, field("photo", b"x", file + b'../../../x.jpg"'))),
        (upload, multipart(own, field("photo", b"\0" * 1000, file + b'\0.png"'))),
        (upload, multipart(own, field("text", b"x" * 2_000_000))),
        (upload, multipart(own, b"A: b\r\n" * 4000 + field("text", b"x"))),
        (upload, multipart(own, b"A: " + b"b" * 50_000 + b"\r\n\r\nx")),
        (upload, multipart(own, b"\r\n\r\n", end=b"")),
        (upload, multipart(b"Content-Disposition: form-data\r\n\r\nx")),
        ("multipart/form-data", multipart(own)),
        ("multipart/form-data; boundary=", multipart(own)),
        ("multipart/form-data; boundary=" + "y" * 5000, multipart(own)),
        (f"{upload}; charset=no-such-thing", multipart(own, field("text", b"\xff"))),
        (f"{upload}; charset=idna", multipart(own, field("text", b"\xff" * 70))),
    ]


@pytest.mark.parametrize(
    "path",
    [
        "/logbook", "/proof/photo", "/proof/safety", "/proof/who", "/proof/card", "/proof/pour",
        "/water/begin", "/water/end", "/water/note", "/alarms/shelve", "/login", "/nowhere",
    ],
)  # fmt: skip
def test_no_form_breaks_what_takes_it(attacked: tuple[Kept, Served, Keepers], path: str) -> None:
    _, served, keepers = attacked
    for number in range(len(bodies(""))):
        cookie, token = keepers.another()
        kind, body = bodies(token)[number]
        more = f"Content-Type: {kind}\r\n" if kind else ""
        cookie += "; initials=mk"
        data = request(path, method="POST", more=more, cookie=cookie, body=body)
        answer = sent(served, data)
        # 503: nothing measures here that could take it.
        said = (path, kind, body[:200], answer[:300])
        assert is_clean(answer) or status_of(answer) == 503, said
        assert status_of(answer) != 429, "it was not even looked at"


def test_what_is_larger_than_it_may_be_is_not_even_read(
    attacked: tuple[Kept, Served, Keepers],
) -> None:
    _, served, keepers = attacked
    before = memory_kb(served)
    for path in ("/logbook", "/proof/photo", "/water/end"):
        cookie, _ = keepers.another()
        head = request(
            path,
            method="POST",
            cookie=cookie,
            more="Content-Type: multipart/form-data; boundary=x\r\nContent-Length: 9999999999\r\n",
        )
        assert status_of(sent(served, head + b"x" * 3_000_000)) in (0, 413)
    assert memory_kb(served) - before < 4000


def test_who_dribbles_or_sleeps_is_cut_off(tmp_path: Path) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=[now], now_ms=now)
    # Larger than all that the kernel takes of an answer that nobody reads.
    photo = keep_photo(kept.folder, png(30, 30, 90) + b"\0" * 20_000_000)
    with serve(with_passwords(kept.rig_file)) as served:
        keepers = Keepers(kept.rig_file)
        # Its own are open once it answers, and the one it answered on is shut by then.
        assert status_of(sent(served, request("/login"))) == 200
        before = sockets_of(served)
        cookie, _ = keepers.another()
        begun = request("/login", method="POST", cookie=cookie, more="Content-Length: 5000\r\n")
        asked = request(f"/logbook/photo/{photo.name}", cookie=cookie)
        started = time.monotonic()
        with (
            opened(served, 10) as silent,
            opened(served, 10, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n") as heads,
            opened(served, 10, begun) as forms,
            opened(served, 3, asked) as sleepers,
        ):
            wait_for(lambda: sockets_of(served) >= before + 33, what="all to be let in")
            for answer in dribbled(heads, b"A: b\r\n", limit=3 * server.HEAD_S):
                assert status_of(answer) in (408, 0)
            for connection in silent:
                assert rest_of(connection) == b""
            assert time.monotonic() - started >= server.HEAD_S - 1
            for answer in dribbled(forms, b"a", limit=3 * server.BODY_S):
                assert status_of(answer) in (408, 0)
            wait_for(lambda: sockets_of(served) <= before, what="those who don't read to be left")
            assert len(sleepers) == 3
        assert Caller(served).get("/login").status == 200
    kept.close()


def test_many_idle_connections_keep_nobody_out(attacked: tuple[Kept, Served, Keepers]) -> None:
    _, served, _ = attacked
    before = sockets_of(served)
    with opened(served, 3 * server.MOST) as idle, opened(served, server.MOST, b"GET / HT") as half:
        wait_for(
            lambda: sockets_of(served) <= before + server.MOST,
            what="those that are over to be shut",
        )
        began = time.monotonic()
        assert served.get("/static/live.js").status == 200
        assert time.monotonic() - began < 2
        assert len(idle) + len(half) == 4 * server.MOST
    wait_for(lambda: sockets_of(served) <= before, what="the connections to be gone")


def test_event_streams_are_few_for_each_reader_and_end_with_him(
    attacked: tuple[Kept, Served, Keepers],
) -> None:
    _, served, keepers = attacked
    before = sockets_of(served)
    cookie, _ = keepers.another()
    for path, most in (("/events", 32), (f"/water/live?since={now_ms()}", 3)):
        with opened(served, most + 5, request(path, cookie=cookie)) as streams:
            statuses = [status_of(stream.recv(4096)) for stream in streams]
            assert sorted(statuses) == [200] * most + [429] * 5
            other = served.open(path, Cookie=keepers.another()[0])
            assert other.status == 200
            other.close()
        wait_for(lambda: sockets_of(served) <= before, what="the streams to end")


class TestHowOften:
    @pytest.fixture
    def pages(self, kept: Kept) -> Iterator[Served]:
        with serve(with_passwords(kept.rig_file)) as served:
            yield served

    def test_whoever_guesses_waits_and_others_do_not(self, pages: Served) -> None:
        guesser = Caller(pages, address="198.51.100.7")
        statuses = [guesser.log_in(f"guess number {n} of many").status for n in range(9)]
        assert statuses == [403] * 6 + [429] * 3
        answer = guesser.log_in(KEEPERS)
        assert answer.status == 429, "the right one is not looked at either"
        assert int(answer.headers["Retry-After"]) > 10
        assert "Too many passwords were tried" in answer.text
        assert Caller(pages, address="198.51.100.8").log_in(KEEPERS).status == 303
        # A line has 2^64 IPv6 addresses: they count as one.
        for n in range(8):
            last = Caller(pages, address=f"2001:db8::{n}").log_in("guess of a whole house")
        assert last.status == 429

    def test_guessing_from_many_addresses_locks_out_nobody_who_was_here_before(
        self, pages: Served
    ) -> None:
        owner = Caller(pages, address="198.51.100.7")
        assert owner.log_in(KEEPERS).status == 303
        owner.post("/logout", {})
        statuses = [
            Caller(pages, address=f"203.0.113.{n}").log_in("guess from far away").status
            for n in range(50)
        ]
        assert statuses.count(429) >= 10
        assert owner.log_in(KEEPERS).status == 303

    def test_a_program_with_a_wrong_password_is_held_up_as_well(self, pages: Served) -> None:
        wrong = basic("an old one of last year")
        statuses = [pages.get("/state.json", **wrong).status for _ in range(9)]
        assert statuses == [401] * 6 + [429] * 3

    def test_what_changes_and_what_is_dear_has_its_pace(self, pages: Served) -> None:
        keeper = Caller(pages)
        keeper.log_in(KEEPERS)
        token = keeper.token()
        answers = [keeper.post("/proof/who", {"by": "mk"}, token=token) for _ in range(80)]
        assert {answer.status for answer in answers[:55]} == {303}
        assert answers[-1].status == 429
        assert int(answers[-1].headers["Retry-After"]) >= 1
        visitor = Caller(pages)
        visitor.log_in(VISITORS)
        # It counts as traces do, and is answered quickly on a slow machine too.
        wait_for(
            lambda: visitor.get("/traces/nowhere").status == 429, what="a reader to be held up"
        )
        assert keeper.get("/").status == 200, "nobody else waits for that"


def test_memory_does_not_grow_under_attack(attacked: tuple[Kept, Served, Keepers]) -> None:
    _, served, keepers = attacked

    def attack() -> None:
        for n in range(150):
            cookie, token = keepers.another()
            sent(served, request(f"/probe/{'x' * n}%00", cookie=cookie))
            sent(served, request(f"/{n}" * 500, more=f"X-Forwarded-For: 10.0.{n}.1\r\n"))
            sent(served, b"GET / HTTP/1.1\r\n" + b"A: b\r\n" * 3000)
            kind, body = bodies(token)[n % len(bodies(""))]
            more = f"Content-Type: {kind or 'x'}\r\n"
            sent(served, request("/logbook", method="POST", more=more, cookie=cookie, body=body))
            connect(served).close()
        with opened(served, 200, b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"):
            pass

    attack()  # what is loaded once is loaded now
    wait_for(lambda: sockets_of(served) < 30, what="the connections to be gone")
    before = memory_kb(served)
    for _ in range(3):
        attack()
    wait_for(lambda: sockets_of(served) < 30, what="the connections to be gone")
    grown = memory_kb(served) - before
    assert grown < 3000, f"{grown} kB more after {before} kB"
    assert served.process.poll() is None
