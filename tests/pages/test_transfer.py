"""What travels: compressed text, scripts and styles kept by the browser, events as they are."""

import gzip
import re
import zlib
from collections.abc import Mapping
from email.message import Message
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from longsoak_dashboards import static
from longsoak_dashboards.compress import Gzip, takes_gzip
from pages.serving import Served

TEMPLATES = Path(static.__file__).parent / "templates"


def fetch(
    served: Served, path: str, *, method: str = "GET", **headers: str
) -> tuple[int, Message, bytes]:
    """An answer with its body as it came over the wire."""
    connection = HTTPConnection(urlsplit(served.address).netloc, timeout=20)
    try:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method, path, headers=named)
        reply = connection.getresponse()
        return reply.status, reply.headers, reply.read()
    finally:
        connection.close()


def statics(served: Served, path: str = "/") -> list[str]:
    """The addresses of scripts, styles and the icon of a sheet."""
    return re.findall(r'(?:href|src)="(/static/[^"]+)"', served.get(path).text)


@pytest.mark.parametrize("path", ["/", "/traces", "/state.json", "/static/sheet.css"])
def test_text_comes_compressed_to_whoever_takes_that_and_is_the_same(
    at_rest: Served, path: str
) -> None:
    _, headers, zipped = fetch(at_rest, path, Accept_Encoding="gzip")
    _, plainly, text = fetch(at_rest, path)
    assert "Accept-Encoding" in headers["Vary"]
    assert "Accept-Encoding" in plainly["Vary"]
    assert plainly["Content-Encoding"] is None
    if path == "/state.json":  # shorter than a packet
        assert headers["Content-Encoding"] is None
        return
    assert headers["Content-Encoding"] == "gzip"
    assert len(zipped) < 0.5 * len(text)
    # Ages and the axis of time may go on between two answers, but not each time.
    unzipped = gzip.decompress(zipped)
    for _ in range(3):
        if unzipped == text:
            return
        unzipped = gzip.decompress(fetch(at_rest, path, Accept_Encoding="gzip")[2])
        text = fetch(at_rest, path)[2]
    assert re.sub(rb"[\d.]+", b"", unzipped) == re.sub(rb"[\d.]+", b"", text)


def test_a_page_s_length_tells_nobody_to_a_few_bytes_what_stands_in_it(at_rest: Served) -> None:
    lengths = [len(fetch(at_rest, "/nowhere", Accept_Encoding="gzip")[2]) for _ in range(12)]
    assert max(lengths) - min(lengths) > 10


def test_photos_and_what_has_no_body_are_left_as_they_are(at_rest: Served) -> None:
    status, headers, body = fetch(at_rest, "/", method="HEAD", Accept_Encoding="gzip")
    assert (status, body, headers["Content-Encoding"]) == (200, b"", None)
    assert "Accept-Encoding" in headers["Vary"]


def test_events_are_never_compressed(at_rest: Served) -> None:
    connection = HTTPConnection(urlsplit(at_rest.address).netloc, timeout=20)
    connection.request("GET", "/events", headers={"Accept-Encoding": "gzip"})
    reply = connection.getresponse()
    assert reply.headers["Content-Encoding"] is None
    assert reply.readline() == b"retry: 2000\n"
    connection.close()


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        ("gzip", True),
        ("GZip", True),
        ("br, gzip;q=0.2", True),
        ("*", True),
        ("", False),
        ("gzip;q=0", False),
        ("gzip; q=0.0, *", False),
        ("*;q=0", False),
        ("identity", False),
        ("gzip;q=much", False),
    ],
)
def test_codings_are_taken_as_whoever_asks_weighs_them(accepted: str, takes: bool) -> None:
    assert takes_gzip([accepted]) is takes


@pytest.mark.parametrize("name", ["", "0123abc"])
@pytest.mark.parametrize("parts", [[b""], [b"a" * 70_000], [b"ab", b"", b"c" * 9000, b"\xff"]])
def test_what_is_compressed_part_by_part_is_a_whole_gzip_file(
    parts: list[bytes], name: str
) -> None:
    one = Gzip(name=name)
    sent = b"".join(one.feed(part, last=i == len(parts) - 1) for i, part in enumerate(parts))
    assert gzip.decompress(sent) == b"".join(parts)
    assert zlib.decompress(sent, 31) == b"".join(parts)


def test_scripts_and_styles_are_kept_for_good_by_an_address_that_changes_with_them(
    at_rest: Served,
) -> None:
    found = statics(at_rest)
    assert len(found) >= 5
    for address in found:
        status, headers, _ = fetch(at_rest, address, Accept_Encoding="gzip")
        assert status == 200, address
        assert headers["Cache-Control"] == "public, max-age=31536000, immutable"
        again: Mapping[str, str] = {"If_None_Match": headers["ETag"], "Accept_Encoding": "gzip"}
        status, headers, body = fetch(at_rest, address, **again)
        assert (status, body) == (304, b"")


def test_by_its_plain_name_or_that_of_another_version_a_file_is_asked_for_again(
    at_rest: Served,
) -> None:
    for address in ("/static/sheet.css", "/static/000000000000/sheet.css"):
        status, headers, _ = fetch(at_rest, address)
        assert (status, headers["Cache-Control"]) == (200, "no-cache")
        assert headers["ETag"].startswith('"')
        # Strong, so the compressed one is another one (RFC 9110, 8.8.3.3; from memory).
        _, zipped, _ = fetch(at_rest, address, Accept_Encoding="gzip")
        assert zipped["ETag"] != headers["ETag"]
    for nothing in ("/static/none.css", "/static/../app.py", "/static/a/b/sheet.css", "/static/"):
        assert fetch(at_rest, nothing)[0] == 404, nothing


def test_no_template_names_a_file_without_its_version() -> None:
    for template in TEMPLATES.iterdir():
        assert '"/static/' not in template.read_text(), template.name


def test_pages_with_readings_are_kept_by_nobody(at_rest: Served) -> None:
    assert fetch(at_rest, "/", Accept_Encoding="gzip")[1]["Cache-Control"] == "no-store"
