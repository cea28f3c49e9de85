"""Addresses of outlets: `broken` has the exact messages."""

import pytest

from longsoak.rigfile.load import parse
from longsoak.rigfile.outletchecks import is_host, is_server, is_web_address
from rigfile.fake_kinds import HERE


@pytest.mark.parametrize(
    "url",
    ["http://localhost", "http://localhost:8428/", "https://db.example:65535", "http://[::1]:8428"],
)
def test_a_server_and_its_port_are_taken(url: str) -> None:
    assert is_server(url)


@pytest.mark.parametrize(
    "url",
    [
        "http://localhost:65536",
        "http://localhost:0",
        "http://localhost:x",
        "http://localhost?org=x",
        "http://localhost#x",
        "http://localhost/write",
        "http://[::1",
    ],
)
def test_an_address_that_leads_to_no_server_is_refused(url: str) -> None:
    assert not is_server(url)


# RFC 4291, 2.2 (from memory): an IPv6 address has two colons or more.
@pytest.mark.parametrize("host", ["localhost", "mail.example.org", "192.0.2.1", "::1", "fe80::1%2"])
def test_a_host_is_a_name_or_an_address(host: str) -> None:
    assert is_host(host)


@pytest.mark.parametrize("host", ["localhost:25", "192.0.2.1:25", "[::1]:25", "[::1]", ":25"])
def test_a_host_with_a_port_is_refused(host: str) -> None:
    assert not is_host(host)


def test_a_page_may_lie_at_a_path_but_needs_a_port_that_can_be() -> None:
    assert is_web_address("http://shop-pi.example:8460/rig?bay=1")
    assert not is_web_address("http://shop-pi.example:84600/")


@pytest.mark.parametrize("name", ["outlet_addresses", "database_address_with_a_path"])
def test_a_text_a_record_was_kept_under_stays_readable(name: str) -> None:
    text = (HERE / "broken" / f"{name}.toml").read_text(encoding="utf-8")

    assert parse(text, file="rig.toml", find_kind=None).name == "one wall"
