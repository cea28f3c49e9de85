"""Whether the addresses of outlets lead to a server, and what belongs together is there.

A record may already be kept under an address that leads nowhere; its text stays readable, so only a
file that is going to run is held to them.
"""

from math import ceil
from urllib.parse import urlsplit

from longsoak.rigfile.draft import Draft
from longsoak.rigfile.kinds import DEFAULTS
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.reading import words_of
from longsoak.rigfile.report import MISSING, Report, Written, number
from longsoak.rigfile.words import Table

USUAL_RATE = 200.0  # readings a second: a day of 64 probes a minute catches up in eight minutes


def check_passwords(draft: Draft, *, report: Report) -> None:
    """Note a password of nobody."""
    for part in (draft.mail, draft.mqtt):
        file = part.table.password_file if part is not None else None
        if part is not None and file is not None and "user" not in part.keys:
            report.add(
                (*part.path, "password_file"),
                file,
                expected="no password without a user it belongs to",
                remedy="Add user, or remove password_file.",
            )


def check_mqtt(draft: Draft, *, report: Report) -> None:
    """Note readings without a connection, and certificates that no connection uses."""
    mqtt = draft.mqtt
    if draft.readings is not None and not draft.names_broker:
        report.add(
            draft.readings.path,
            Written("without a broker"),
            expected="[notices.mqtt] beside it, whose connection it uses",
            remedy="Head a table with [notices.mqtt], and write host and prefix in it.",
        )
    if mqtt is None:
        return
    table = mqtt.table
    for key, file in (
        ("ca_file", table.ca_file),
        ("certificate_file", table.certificate_file),
        ("key_file", table.key_file),
    ):
        if file is not None and (table.tls is False or "tls" not in mqtt.keys):
            report.add(
                (*mqtt.path, key),
                file,
                expected="no certificate where nothing is encrypted",
                remedy=f"Add tls = true, or remove {key}.",
            )
    if table.key_file is not None and "certificate_file" not in mqtt.keys:
        report.add(
            (*mqtt.path, "key_file"),
            table.key_file,
            expected="no key without a certificate it belongs to",
            remedy="Add certificate_file, or remove key_file.",
        )


def check_heartbeat(draft: Draft, *, report: Report) -> None:
    """Note a heartbeat that goes nowhere, or to two addresses."""
    part = draft.heartbeat
    if part is None:
        return
    if {"url", "url_file"} <= part.keys:
        report.add(
            (*part.path, "url"),
            Written("there beside url_file"),
            expected="one address: such a one is a secret, so a file that holds it is better",
            remedy="Remove url.",
        )
    if not {"url", "url_file"} & part.keys:
        report.add(
            (*part.path, "url_file"),
            MISSING,
            expected="the path of a file that holds the address, or url",
            remedy='Write for example url_file = "/etc/longsoak/heartbeat".',
        )


def check_rate(draft: Draft, *, report: Report) -> None:
    """Note a rate at which readings would fall further and further behind."""
    readings = draft.readings
    if readings is None or readings.table.rate is None:
        return
    tables = [probe.table for probe in draft.probes]
    measured = sum(
        1 / (table.every or DEFAULTS[table.kind].every)
        for table in tables
        if table.kind is not None
    )
    if readings.table.rate <= measured:
        least = ceil(measured) + 1
        report.add(
            (*readings.path, "rate"),
            readings.table.rate,
            expected=f"more readings a second than the probes give, {least} to 10000",
            remedy=f"Write rate = {number(rate_for(measured))}, or remove rate.",
        )


def rate_for(measured: float) -> float:
    """How many readings a second to send of a rig that measures so many: enough to catch up."""
    return max(USUAL_RATE, 2.0 * ceil(measured))


def check_addresses(draft: Draft, *, report: Report) -> None:
    """Note hosts with a port behind them, ports that can't be, and paths where none belongs."""
    page = draft.rig.table.page
    if page is not None and not is_web_address(page):
        _add(draft.rig.path, draft.rig.table, "page", page, report=report)
    for part in (draft.mail, draft.mqtt):
        if part is not None and part.table.host is not None and not is_host(part.table.host):
            _add(part.path, part.table, "host", part.table.host, report=report)
    beat = draft.heartbeat
    if beat is not None and beat.table.url is not None and not is_web_address(beat.table.url):
        _add(beat.path, beat.table, "url", beat.table.url, report=report)
    url = draft.database.table.url if draft.database is not None else None
    if draft.database is not None and url is not None and not is_server(url):
        _add(draft.database.path, draft.database.table, "url", url, report=report)


def is_web_address(text: str) -> bool:
    """Whether an address names a host, and no port that can't be."""
    try:
        parts = urlsplit(text)
        return bool(parts.hostname) and parts.port != 0
    except ValueError:  # a port above 65535, or a bracket that isn't closed
        return False


def is_server(text: str) -> bool:
    """Whether an address says where a server is and no more."""
    if not is_web_address(text):
        return False
    parts = urlsplit(text)
    return parts.path in ("", "/") and not parts.query and not parts.fragment


def is_host(text: str) -> bool:
    """Whether it is a name or an address without a port."""
    # An address of more than one colon is IPv6 (RFC 4291, 2.2, from memory); brackets are for urls.
    return text.count(":") != 1 and "[" not in text


def _add(path: KeyPath, table: Table, key: str, found: str, *, report: Report) -> None:
    words = dict(words_of(type(table)))[key]
    report.add(
        (*path, key),
        found,
        expected=words.expected,
        remedy=f"Write for example {key} = {words.example}.",
    )
