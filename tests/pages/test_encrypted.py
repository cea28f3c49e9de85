"""The pages under TLS of their own: cookies, headers, and what comes that is no TLS. Invented."""

import json
import ssl
import time
import warnings
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPSConnection
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import pytest
import trustme

from longsoak_dashboards import server
from pages.attacking import connect, opened, rest_of, sockets_of
from pages.callers import KEEPERS, VISITORS, with_passwords
from pages.pagerig import Kept, keep
from pages.serving import Answer, Served, now_ms, serve
from processes import longsoak
from waiting import wait_for

pytestmark = pytest.mark.long


class Issued:
    """A certificate of an authority that was made up for this test."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.authority, self.certificate, self.key = (
            folder / name for name in ("authority.pem", "certificate.pem", "key.pem")
        )
        issuer = trustme.CA()
        issued = issuer.issue_cert("127.0.0.1", "localhost")
        issuer.cert_pem.write_to_path(str(self.authority))
        issued.private_key_pem.write_to_path(str(self.key))
        for pem in issued.cert_chain_pems:
            pem.write_to_path(str(self.certificate), append=True)

    @property
    def options(self) -> tuple[str | Path, ...]:
        return "--certificate", self.certificate, "--key", self.key


@pytest.fixture(scope="module")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Issued:
    return Issued(tmp_path_factory.mktemp("issued"))


@pytest.fixture(scope="module")
def encrypted(
    tmp_path_factory: pytest.TempPathFactory, issued: Issued
) -> Iterator[tuple[Kept, Served]]:
    now = now_ms()
    kept = keep(tmp_path_factory.mktemp("tls") / "rig", times=[now - 1000], now_ms=now)
    with serve(with_passwords(kept.rig_file), *issued.options) as served:
        yield kept, served
    kept.close()


def ask(
    served: Served, issued: Issued, path: str, form: dict[str, str] | None = None, cookie: str = ""
) -> Answer:
    trusting = ssl.create_default_context(cafile=issued.authority)
    connection = HTTPSConnection(urlsplit(served.address).netloc, timeout=20, context=trusting)
    with closing(connection):
        headers = {"Accept": "text/html", "Origin": served.address, "Cookie": cookie}
        body = None if form is None else urlencode(form)
        connection.request("GET" if form is None else "POST", path, body, headers)
        reply = connection.getresponse()
        return Answer(reply.status, reply.headers, reply.read().decode())


def test_cookies_are_bound_to_this_host_and_to_encryption(
    encrypted: tuple[Kept, Served], issued: Issued
) -> None:
    served = encrypted[1]
    assert served.address.startswith("https://")
    sheet = ask(served, issued, "/login")
    assert "can read the password" not in sheet.text
    assert sheet.headers["Strict-Transport-Security"] == "max-age=2592000"
    cookie = sheet.headers["Set-Cookie"].partition(";")[0]
    token = json.loads(ask(served, issued, "/session.json", cookie=cookie).text)["token"]
    form = {"password": KEEPERS, "token": token, "to": "/alarms"}
    answer = ask(served, issued, "/login", form, cookie)
    assert (answer.status, answer.headers["Location"]) == (303, "/alarms")
    for line in answer.headers.get_all("Set-Cookie", []):
        assert "Secure" in line
        assert "HttpOnly" in line
        # RFC 6265bis (from memory): with this prefix a browser takes no domain and no other path.
        if "-known" not in line:
            assert line.startswith("__Host-longsoak-")
            assert "Path=/;" in line
            cookie = line.partition(";")[0]
    assert ask(served, issued, "/alarms", cookie=cookie).status == 200


def test_without_encryption_no_browser_is_told_to_ask_for_it(at_rest: Served) -> None:
    answer = at_rest.get("/")
    assert "Strict-Transport-Security" not in answer.headers
    assert "Secure" not in answer.headers["Set-Cookie"]


def test_watch_asks_over_tls_with_a_password(
    encrypted: tuple[Kept, Served], issued: Issued, tmp_path: Path
) -> None:
    file = tmp_path / "reading"
    file.write_text(VISITORS)
    done = longsoak(
        "watch", "--pages", encrypted[1].address, "--pages-password-file", file,
        "--ca-file", issued.authority, "--wait", "0s",
    )  # fmt: skip
    assert "render pair runs but keeps no readings" in done.stdout


def test_what_is_no_tls_is_shut_and_what_never_becomes_any_makes_room(
    encrypted: tuple[Kept, Served], issued: Issued
) -> None:
    served = encrypted[1]
    assert ask(served, issued, "/login").status == 200  # its own sockets are open then
    before = sockets_of(served)
    for garbage in (
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"\0" * 5000,
        b"\x16\x03\x01" * 99,
    ):
        with connect(served) as connection:
            connection.sendall(garbage)
            assert b"HTTP/1.1 200" not in rest_of(connection)
    with opened(served, 2 * server.MOST, b"\x16\x03\x01\x02\x00\x01") as halves:
        wait_for(lambda: sockets_of(served) > before + 20, what="them to be let in")
        wait_for(lambda: sockets_of(served) <= before + server.MOST, what="room to be made")
        began = time.monotonic()
        assert ask(served, issued, "/login").status == 200
        assert time.monotonic() - began < 3
        wait_for(lambda: sockets_of(served) <= before, what="all to be given up")
        assert len(halves) == 2 * server.MOST
    assert ask(served, issued, "/login").status == 200


def test_older_encryption_is_refused(encrypted: tuple[Kept, Served], issued: Issued) -> None:
    old = ssl.create_default_context(cafile=issued.authority)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # it is what is tried here
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    with connect(encrypted[1]) as plain, pytest.raises(ssl.SSLError):
        old.wrap_socket(plain, server_hostname="127.0.0.1")


def test_files_that_are_no_certificate_with_its_key_are_told_in_a_sentence(
    kept: Kept, issued: Issued, tmp_path: Path
) -> None:
    other = Issued(tmp_path / "other")
    none = tmp_path / "none.pem"
    for options, says in (
        (("--certificate", issued.certificate), "--certificate and --key belong together"),
        (("--key", issued.key), "--certificate and --key belong together"),
        (("--certificate", none, "--key", issued.key), f"{none} can't be read"),
        (("--certificate", issued.key, "--key", issued.certificate), "are no certificate with"),
        (("--certificate", issued.certificate, "--key", other.key), "are no certificate with"),
        (("--certificate", kept.rig_file, "--key", kept.rig_file), "are no certificate with"),
    ):
        done = longsoak("pages", kept.rig_file, "--port", "0", *options)
        assert done.returncode == 2, options
        assert says in done.stderr
        assert done.stderr.count("\n") == 1
