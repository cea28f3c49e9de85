"""Who may read the pages, and who may change: passwords, sessions, forms; all invented.

One long file: all of it shares rigs that are served once for the module.
"""

import os
import re
import sqlite3
import stat
import time
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode

import pytest
from starlette.routing import Route

from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak_dashboards.access.passwords import FILE, Role, load, path_of
from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.access.sessions import Session
from longsoak_dashboards.app import create_app
from longsoak_dashboards.loginsheets import local
from longsoak_dashboards.sheets import HERE, _templates
from longsoak_dashboards.source import Source
from pages.callers import KEEPERS, VISITORS, Caller, basic, set_password, with_passwords
from pages.pagerig import Kept, change, keep
from pages.serving import Served, now_ms, serve
from processes import longsoak

OVERFILL = "overfill:water level"
ACKNOWLEDGE = "/alarms/acknowledge"


def alarmed(folder: Path) -> Kept:
    now = now_ms()
    kept = keep(folder, times=[now - 900_000, now - 1000], now_ms=now)
    raised = change(OVERFILL, now - 60_000, AlarmState.NORMAL, AlarmState.NEW, value=101.3)
    kept.writer.commit(Batch(changes=[raised]))
    return kept


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Kept, Served]]:
    """A rig with both passwords, for whatever changes nothing of it."""
    kept = alarmed(tmp_path_factory.mktemp("guarded") / "rig")
    with serve(with_passwords(kept.rig_file)) as served:
        yield kept, served
    kept.close()


@pytest.fixture(scope="module")
def keeper(guarded: tuple[Kept, Served]) -> Caller:
    """Somebody who logged in for changes."""
    caller = Caller(guarded[1], address="198.51.100.1")
    assert caller.log_in(KEEPERS).status == 303
    return caller


@pytest.fixture(scope="module")
def visitor(guarded: tuple[Kept, Served]) -> Caller:
    """Somebody who logged in to read."""
    caller = Caller(guarded[1], address="198.51.100.2")
    assert caller.log_in(VISITORS).status == 303
    return caller


@pytest.fixture(scope="module")
def stranger(guarded: tuple[Kept, Served]) -> Caller:
    """Somebody who did not log in."""
    return Caller(guarded[1], address="198.51.100.3")


def asked(kept: Kept) -> int:
    db = sqlite3.connect(kept.folder / "inbox.db")
    try:
        (count,) = db.execute("SELECT count(*) FROM request").fetchone()
        return int(count)
    finally:
        db.close()


SHEETS = ("/", "/water", "/traces", "/alarms", "/health", "/proof", "/logbook", "/findings")
FOR_PROGRAMS = ("/api/1/latest", "/state.json")


class TestTheCommand:
    def test_the_file_lies_beside_the_rig_file_for_its_owner_alone_and_holds_no_password(
        self, tmp_path: Path
    ) -> None:
        kept = keep(tmp_path / "rig", times=[], now_ms=now_ms())
        kept.close()
        before = (tmp_path / "rig" / "record" / "record.db").read_bytes()
        done = set_password(kept.rig_file, KEEPERS)
        assert (done.returncode, done.stderr) == (0, "")
        path = tmp_path / "rig" / FILE
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        text = path.read_text()
        assert KEEPERS not in text
        # PHC string format, as the reference implementation of Argon2 writes it.
        assert re.search(r"\$argon2id\$v=19\$m=19456,t=2,p=1\$", text)
        assert (tmp_path / "rig" / "record" / "record.db").read_bytes() == before
        assert {p.name for p in (tmp_path / "rig").iterdir()} == {"rig.toml", "record", FILE}
        to = tmp_path / "stick"
        to.mkdir()
        assert longsoak("backup", kept.rig_file, to).returncode == 0
        copied = {p.name for p in to.rglob("*")}
        assert "rig.toml" in copied
        assert FILE not in copied

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            ("short one", "It has 9 characters, at least 15 are taken."),
            ("passwordpassword", "It would be among the first that anybody tries."),
            ("123456789012345", "It would be among the first that anybody tries."),
            ("render pair longsoak", "It would be among the first that anybody tries."),
            ("x" * 257, "It has 257 characters, at most 256 are taken."),
            ("", "It has 0 characters, at least 15 are taken."),
        ],
    )
    def test_what_is_short_or_would_be_tried_first_is_refused(
        self, tmp_path: Path, words: str, says: str
    ) -> None:
        rig_file = tmp_path / "rig.toml"
        rig_file.write_text('[rig]\nname = "render pair"\n')
        done = set_password(rig_file, words)
        assert done.returncode == 2
        assert says in done.stderr
        assert "Nothing was changed." in done.stderr
        assert not path_of(rig_file).exists()

    def test_any_characters_are_taken_if_there_are_enough(self, tmp_path: Path) -> None:
        rig_file = tmp_path / "rig.toml"
        rig_file.write_text("")
        assert set_password(rig_file, "zwölf Kröten äßen Grütze").returncode == 0

    def test_the_one_for_reading_needs_the_other_first_and_has_to_differ(
        self, tmp_path: Path
    ) -> None:
        rig_file = tmp_path / "rig.toml"
        rig_file.write_text("")
        done = set_password(rig_file, VISITORS, "--reading")
        assert done.returncode == 2
        assert "There is no password for changes yet" in done.stderr
        assert set_password(rig_file, KEEPERS).returncode == 0
        done = set_password(rig_file, KEEPERS, "--reading")
        assert done.returncode == 2
        assert "have to differ" in done.stderr
        found = load(path_of(rig_file))
        assert found is not None
        assert found.reading is None

    def test_either_can_be_taken_away(self, tmp_path: Path) -> None:
        rig_file = tmp_path / "rig.toml"
        rig_file.write_text("")
        assert longsoak("password", rig_file, "--remove").stdout == "There was none.\n"
        with_passwords(rig_file)
        done = longsoak("password", rig_file, "--remove", "--reading")
        assert "Visitors are logged out" in done.stdout
        found = load(path_of(rig_file))
        assert found is not None
        assert found.reading is None
        assert "taken away" in longsoak("password", rig_file, "--remove").stdout
        assert not path_of(rig_file).exists()

    def test_without_a_terminal_it_says_how_a_script_does_it(self, tmp_path: Path) -> None:
        rig_file = tmp_path / "rig.toml"
        rig_file.write_text("")
        done = longsoak("password", rig_file)
        assert done.returncode == 2
        assert "With --stdin it is read from standard input." in done.stderr

    def test_a_file_that_others_may_read_is_refused_with_the_way_out(self, kept: Kept) -> None:
        path = path_of(with_passwords(kept.rig_file))
        path.chmod(0o640)
        done = longsoak("pages", kept.rig_file, "--port", "0")
        assert done.returncode == 2
        assert f"chmod 600 {path}" in done.stderr

    @pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 2}', "\x00", '{"format": 1}'])
    def test_a_file_that_is_none_is_refused_with_the_way_out(self, kept: Kept, text: str) -> None:
        path = path_of(kept.rig_file)
        path.touch(mode=0o600)
        path.write_text(text)
        done = longsoak("pages", kept.rig_file, "--port", "0")
        assert done.returncode == 2
        assert "Set them anew: longsoak password RIG" in done.stderr


class TestOnTheNetwork:
    def test_without_a_password_no_other_address_is_listened_on(self, kept: Kept) -> None:
        done = longsoak("pages", kept.rig_file, "--host", "0.0.0.0", "--port", "0")  # noqa: S104
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
        assert f"`longsoak password {kept.rig_file}`" in done.stderr
        assert done.stdout == ""

    def test_without_encryption_it_says_that_the_password_can_be_read(self, kept: Kept) -> None:
        with_passwords(kept.rig_file)
        with serve(kept.rig_file, "--host", "0.0.0.0") as served:  # noqa: S104
            assert served.process.stdout is not None
            assert "can read the password" in served.process.stdout.readline()
            text = served.get("/login", Accept="text/html").text
            assert "whoever listens there can read the password" in text

    def test_a_password_taken_away_meanwhile_opens_nothing(self, kept: Kept) -> None:
        with_passwords(kept.rig_file)
        with serve(kept.rig_file, "--host", "0.0.0.0", "--anybody-reads") as served:  # noqa: S104
            assert served.get("/").status == 200
            path_of(kept.rig_file).unlink()
            answer = served.get("/")
            assert answer.status == 403
            assert "render pair" not in answer.text

    def test_open_pages_answer_nobody_whom_a_proxy_lets_through(self, at_rest: Served) -> None:
        for header in ("X-Forwarded-For", "X-Forwarded-Proto", "X-Real-IP", "Forwarded"):
            answer = at_rest.get("/", **{header: "192.0.2.7"})
            assert answer.status == 403, header
            assert "longsoak password" in answer.text


class TestWhoReads:
    @pytest.mark.parametrize("path", SHEETS)
    def test_a_stranger_is_led_to_the_login_sheet_and_back(
        self, stranger: Caller, path: str
    ) -> None:
        answer = stranger.get(path)
        assert answer.status == 303
        assert answer.headers["Location"] == f"/login?to={path}"
        sheet = stranger.get(answer.headers["Location"])
        assert sheet.status == 200
        assert f'name="to" value="{path}"' in sheet.text

    @pytest.mark.parametrize("path", ["/", "/nowhere", "/login", "/alarms/acknowledge"])
    def test_a_stranger_learns_nothing_of_the_rig(self, stranger: Caller, path: str) -> None:
        for answer in (stranger.get(path), stranger.post(path, {"key": OVERFILL, "by": "mk"})):
            assert "render pair" not in answer.text
            assert "cork" not in answer.text

    @pytest.mark.parametrize("path", [*SHEETS, *FOR_PROGRAMS])
    def test_a_visitor_and_a_keeper_read_every_sheet(
        self, visitor: Caller, keeper: Caller, path: str
    ) -> None:
        assert visitor.get(path).status == 200
        assert keeper.get(path).status == 200

    @pytest.mark.parametrize("path", [*SHEETS, *FOR_PROGRAMS])
    @pytest.mark.parametrize("password", [KEEPERS, VISITORS])
    def test_a_program_reads_with_a_password_by_http_basic(
        self, guarded: tuple[Kept, Served], path: str, password: str
    ) -> None:
        assert guarded[1].get(path, **basic(password)).status == 200

    def test_a_program_without_a_password_is_asked_for_one(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        for headers in ({}, {"Authorization": "Basic !"}, {"Authorization": "Bearer x"}):
            answer = guarded[1].get("/state.json", **headers)
            assert answer.status == 401
            assert answer.headers["WWW-Authenticate"].startswith("Basic ")

    def test_a_program_may_change_nothing_with_a_password_that_a_browser_would_repeat(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        kept, served = guarded
        before = asked(kept)
        answer = served.post(ACKNOWLEDGE, {"key": OVERFILL, "by": "mk"}, **basic(KEEPERS))
        assert answer.status == 403
        assert asked(kept) == before

    def test_a_password_that_was_right_once_is_not_hashed_again(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        served = guarded[1]
        began = time.process_time()
        before = cpu_s(served)
        for _ in range(40):
            assert served.get("/session.json", **basic(VISITORS)).status == 200
            assert served.get("/state.json", **basic(VISITORS)).status == 200
        # 40 hashes of 19 MiB in two passes take some seconds of a processor.
        assert cpu_s(served) - before < 1.5
        assert time.process_time() - began < 5

    def test_watch_reads_with_a_password_from_a_file(
        self, guarded: tuple[Kept, Served], tmp_path: Path
    ) -> None:
        served = guarded[1]
        file = tmp_path / "reading"
        file.write_text(f"{VISITORS}\n")
        asked_with = longsoak(
            "watch", "--pages", served.address, "--pages-password-file", file,
            "--oldest", "1d", "--wait", "0s",
        )  # fmt: skip
        # Nothing records here, and that is what the pages tell.
        assert "render pair runs but keeps no readings" in asked_with.stdout
        without = longsoak("watch", "--pages", served.address, "--oldest", "1d", "--wait", "0s")
        assert without.returncode == 1
        assert "asks for a password" in without.stdout
        file.write_text("another one altogether")
        wrong = longsoak(
            "watch", "--pages", served.address, "--pages-password-file", file, "--wait", "0s"
        )
        assert wrong.returncode == 1
        assert "does not take this password" in wrong.stdout

    def test_anybody_reads_where_that_was_said_and_nobody_changes(self, tmp_path: Path) -> None:
        kept = alarmed(tmp_path / "rig")
        with serve(with_passwords(kept.rig_file), "--anybody-reads") as served:
            anybody = Caller(served)
            assert anybody.get("/alarms").status == 200
            assert served.get("/state.json").status == 200
            answer = anybody.post(ACKNOWLEDGE, {"key": OVERFILL, "by": "mk"})
            assert answer.status == 403
            assert "logs in first" in answer.text
            assert asked(kept) == 0
        kept.close()


def cpu_s(served: Served) -> float:
    ticks = Path(f"/proc/{served.process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")


class Forms(HTMLParser):
    """Each form that posts, as (its action, whether its token came, how many fields)."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[list[str]] = []
        self.tokens: list[list[str]] = []
        self._inside = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = said.get("method", "get").lower() == "post"
            if self._inside:
                self.found.append([said["action"]])
                self.tokens.append([])
        elif tag == "input" and self._inside and said.get("name") == "token":
            self.tokens[-1].append(said["value"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False


def unmasked(token: str) -> bytes:
    """The key in a form's token."""
    said = bytes.fromhex(token)
    assert len(said) == 32
    return bytes(one ^ other for one, other in zip(said[:16], said[16:], strict=True))


class TestWhoChanges:
    def test_a_keeper_changes(self, tmp_path: Path) -> None:
        kept = alarmed(tmp_path / "rig")
        with serve(with_passwords(kept.rig_file)) as served:
            keeper = Caller(served)
            keeper.log_in(KEEPERS)
            assert keeper.post(ACKNOWLEDGE, {"key": OVERFILL, "by": "mk"}).status == 303
        assert asked(kept) == 1
        kept.close()

    @pytest.mark.parametrize("path", SHEETS)
    def test_a_visitor_sees_no_form_he_can_not_use_and_one_way_to_log_in(
        self, visitor: Caller, path: str
    ) -> None:
        text = visitor.get(path).text
        assert [action for (action,) in Forms(text).found] == ["/logout"]
        assert "log in with the password for changes" in text

    @pytest.mark.parametrize("path", [*SHEETS, "/probe/cork-lime%2030/60", "/login"])
    def test_every_form_of_every_sheet_brings_the_token_of_the_session(
        self, keeper: Caller, visitor: Caller, path: str
    ) -> None:
        for caller in (keeper, visitor):
            forms = Forms(caller.get(path).text)
            assert forms.found
            assert [len(each) for each in forms.tokens] == [1] * len(forms.found)
            tokens = [token for (token,) in forms.tokens]
            assert {unmasked(token) for token in tokens} == {unmasked(caller.token())}

    def test_a_token_is_other_each_time_so_that_lengths_tell_nothing(self, keeper: Caller) -> None:
        tokens = [token for _ in range(3) for (token,) in Forms(keeper.get("/alarms").text).tokens]
        assert len(set(tokens)) == len(tokens) >= 6
        assert len({unmasked(token) for token in tokens}) == 1
        halves = [half for token in tokens for half in (token[:32], token[32:])]
        assert len(set(halves)) == len(halves)
        assert unmasked(tokens[0]).hex() not in keeper.get("/alarms").text

    def test_every_template_with_a_form_that_posts_is_given_one(self) -> None:
        seen = 0
        for file in sorted((HERE / "templates").iterdir()):
            raw = len(
                re.findall(r"""<form\b[^>]*method=["']?post""", file.read_text(), re.IGNORECASE)
            )
            templates = _templates()
            source, *_ = templates.loader.get_source(templates, file.name)  # type: ignore[union-attr]  # there is one
            made = "".join(
                extension.preprocess(source, file.name)
                for extension in templates.extensions.values()
            )
            assert made.count('name="token"') == raw, file.name
            seen += raw
        assert seen > 15

    def test_every_address_that_takes_a_form_wants_it_from_a_sheet_of_this_session(
        self, guarded: tuple[Kept, Served], keeper: Caller, visitor: Caller
    ) -> None:
        kept, served = guarded
        before = asked(kept)
        paths = posting()
        assert len(paths) > 20
        another = Caller(served, address="198.51.100.9")  # one alone would send too many
        assert another.log_in(KEEPERS).status == 303
        for path in paths:
            form = {"key": OVERFILL, "by": "mk", "text": "x", "why": "start", "once": "1"}
            if path not in ("/login", "/logout"):
                answer = visitor.post(path, form)
                assert (answer.status, path) == (403, path)
                assert "logs in first, with the password for changes" in answer.text
            for sender, token in ((keeper, ""), (another, visitor.token())):
                answer = sender.post(path, form, token=token)
                assert (answer.status, path) == (403, path)
                assert "under another session" in answer.text
        assert asked(kept) == before
        assert keeper.get("/alarms").status == 200, "nobody was logged out"

    def test_a_browser_brings_the_token_where_there_are_no_passwords_too(
        self, at_rest: Served
    ) -> None:
        browser = Caller(at_rest)
        browser.get("/alarms")
        for path in posting():
            if path != "/login":
                assert browser.post(path, {"by": "mk"}, token="").status == 403, path
        assert browser.post("/proof/who", {"by": "mk"}).status == 303


def posting() -> list[str]:
    """Every address that takes a form, from the routes themselves."""
    nowhere = Path("/nowhere/rig.toml")
    app = create_app(Source(nowhere), host="127.0.0.1", access=Access(nowhere))
    routes = [route for route in app.routes if isinstance(route, Route)]
    return [route.path for route in routes if "POST" in (route.methods or ())]


class TestSessions:
    def test_a_wrong_password_lets_nobody_in_and_says_so(self, stranger: Caller) -> None:
        answer = stranger.log_in("no such password here")
        assert answer.status == 403
        assert "This is not the password. Nobody was logged in." in answer.text
        assert stranger.get("/").status == 303

    def test_the_session_after_logging_in_is_another_one_than_before(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        caller = Caller(guarded[1])
        before = caller.token()
        caller.log_in(VISITORS)
        assert caller.token() != before

    def test_cookies_are_for_this_host_and_no_script(self, guarded: tuple[Kept, Served]) -> None:
        caller = Caller(guarded[1])
        for line in caller.log_in(VISITORS).headers.get_all("Set-Cookie", []):
            assert "HttpOnly" in line
            assert "SameSite=" in line
            assert "Domain" not in line

    def test_a_cookie_that_was_changed_or_made_up_counts_for_nothing(
        self, guarded: tuple[Kept, Served], visitor: Caller
    ) -> None:
        (name,) = (n for n in visitor.cookies if not n.endswith("-known"))
        good = visitor.cookies[name]
        payload, signature = good.rsplit(".", 1)
        made_up = Session.opened(Role.KEEPER, "", now_ms=now_ms()).signed("x" * 64, now_ms=now_ms())
        for bad in (good[:-2], f"{payload}A.{signature}", made_up, "", ".", "a.b.c", "é" * 9):
            caller = Caller(guarded[1], {name: bad.encode("utf-8").decode("latin-1")})
            assert caller.get("/").status == 303, bad

    def test_logging_out_ends_the_session_wherever_its_cookie_is(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        caller = Caller(guarded[1])
        caller.log_in(VISITORS)
        copied = Caller(guarded[1], dict(caller.cookies))
        assert copied.get("/").status == 200
        assert caller.post("/logout", {}).status == 303
        assert caller.get("/").status == 303
        assert copied.get("/").status == 303

    def test_another_password_ends_the_sessions_of_the_one_before_and_no_others(
        self, kept: Kept
    ) -> None:
        with serve(with_passwords(kept.rig_file)) as served:
            keeper, visitor = Caller(served), Caller(served)
            keeper.log_in(KEEPERS)
            visitor.log_in(VISITORS)
            stream = served.open("/events", **visitor.headers())
            assert stream.readline()
            assert set_password(kept.rig_file, f"{KEEPERS} and moor").returncode == 0
            assert keeper.get("/").status == 303
            assert visitor.get("/").status == 200
            assert set_password(kept.rig_file, f"{VISITORS} sharp", "--reading").returncode == 0
            assert visitor.get("/").status == 303
            kept.scan(now_ms())
            while stream.readline():  # its stream ends with the next word
                pass
            stream.close()

    def test_a_session_holds_for_thirty_days_after_it_was_used_and_a_clock_behind_ends_none(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        passwords = load(path_of(guarded[0].rig_file))
        assert passwords is not None
        day = 86_400_000
        session = Session.opened(Role.VISITOR, passwords.reading.number, now_ms=400 * day)  # type: ignore[union-attr]  # it was set
        assert session.holds(passwords, now_ms=429 * day)
        assert not session.holds(passwords, now_ms=431 * day)
        assert session.holds(passwords, now_ms=0)  # as after a start without a battery

    @pytest.mark.parametrize(
        "to",
        [
            "//evil.example/", "https://evil.example/", "/\\evil.example", "\\\\evil.example",
            "javascript:alert(1)", "/x\r\nSet-Cookie: a=b", "evil.example", "", "/login",
            "/" + "x" * 2000, "/\tevil", "http:evil", "///evil.example", "/\x85", "http://[",
        ],
    )  # fmt: skip
    def test_after_logging_in_nobody_is_led_away(self, stranger: Caller, to: str) -> None:
        assert local(to) == "/"
        sheet = stranger.get(f"/login?{urlencode({'to': to})}")
        assert sheet.status == 200
        assert 'name="to" value="/"' in sheet.text

    def test_after_logging_in_one_is_where_one_wanted_to_be(
        self, guarded: tuple[Kept, Served]
    ) -> None:
        for to, led in (("/traces?hours=24", "/traces?hours=24"), ("//evil.example", "/")):
            answer = Caller(guarded[1], address="198.51.100.9").log_in(KEEPERS, to)
            assert answer.headers["Location"] == led
