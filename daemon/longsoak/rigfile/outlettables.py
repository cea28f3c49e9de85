"""The tables of the rig file that say where notices and copies of the record go."""

from typing import Annotated

from pydantic import Field, PlainValidator, TypeAdapter

from longsoak.rigfile.words import (
    Delay,
    Finite,
    Host,
    MailAddress,
    Name,
    Port,
    Rate,
    Table,
    Text,
    Topic,
    WebAddress,
    Words,
    measured,
    named,
    one_of,
    table_of,
)
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.destinations import MqttVersion

_TimeOfDay = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
_Weekly = Annotated[
    str, Field(pattern=r"^(Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([01][0-9]|2[0-3]):[0-5][0-9]$")
]


class NoticesTable(Table):
    """``[notices]``."""

    mail: Annotated[dict[str, object] | None, table_of("notices.mail")] = None
    mqtt: Annotated[dict[str, object] | None, table_of("notices.mqtt")] = None
    webhook: Annotated[dict[str, object] | None, table_of("notices.webhook")] = None
    trial: Annotated[
        _Weekly | None,
        Words(
            "a day of the week and a time in the rig's time zone, Mon 00:00 to Sun 23:59, in "
            "quotes",
            '"Mon 09:00"',
        ),
    ] = None


class ForwardTable(Table):
    """``[forward]``."""

    database: Annotated[dict[str, object] | None, table_of("forward.database")] = None
    mqtt: Annotated[dict[str, object] | None, table_of("forward.mqtt")] = None


_HOST = Words("a host name or an address, without a port", '"localhost"', needed=True)
_USER = Words("a user's name", '"rig"')
_FILE = Words("the path of a file that holds the secret", '"/etc/longsoak/password"')
_YES_OR_NO = Words("true or false, without quotes", "true")
_CA_FILE = Words(
    "the path of a PEM file with the authority that signed the server's certificate",
    '"/etc/longsoak/ca.pem"',
)
_TIME_OF_DAY = "a time of day in UTC, 00:00 to 23:59, in quotes"


class BackupTable(Table):
    """``[backup]``."""

    to: Annotated[
        Annotated[Text, Field(pattern=r"^/")] | None,
        Words("the path of a folder that is there, from / on", '"/media/stick"', needed=True),
    ] = None
    at: Annotated[_TimeOfDay | None, Words(_TIME_OF_DAY, '"03:40"')] = None
    keep: Annotated[
        Annotated[int, Field(ge=1, le=1000)] | None,
        Words("how many backups stay, a whole number from 1 to 1000", "7"),
    ] = None
    mounted: Annotated[bool | None, _YES_OR_NO] = None


class HeartbeatTable(Table):
    """``[heartbeat]``."""

    url: Annotated[
        WebAddress | None,
        Words("a web address: http:// or https://, a host and a path", '"https://example.org/b1"'),
    ] = None
    url_file: Annotated[
        Text | None,
        Words("the path of a file that holds the address", '"/etc/longsoak/heartbeat"'),
    ] = None
    every: Annotated[
        Annotated[Finite, Field(ge=10, le=3600)] | None,
        measured("seconds as a bare number, 10 to 3600", 60, unit="s", needed=False),
    ] = None
    ca_file: Annotated[
        Text | None,
        Words(
            "the path of a PEM file with the authority that signed the server's certificate",
            '"/etc/longsoak/ca.pem"',
        ),
    ] = None


class MailTable(Table):
    """``[notices.mail]``."""

    host: Annotated[Host | None, _HOST] = None
    port: Annotated[Port | None, Words("a port, a whole number from 1 to 65535", "25")] = None
    sender: Annotated[
        MailAddress | None,
        Field(alias="from"),
        Words("an e-mail address", '"rig@example.org"', needed=True),
    ] = None
    to: Annotated[
        Annotated[list[MailAddress], Field(min_length=1)] | None,
        Words("a list of one or more e-mail addresses", '["keeper@example.org"]'),
    ] = None
    starttls: Annotated[bool | None, _YES_OR_NO] = None
    tls: Annotated[bool | None, _YES_OR_NO] = None
    ca_file: Annotated[Text | None, _CA_FILE] = None
    user: Annotated[Text | None, _USER] = None
    password_file: Annotated[Text | None, _FILE] = None
    digest: Annotated[_TimeOfDay | None, Words(_TIME_OF_DAY, '"07:00"')] = None


class WebhookTable(Table):
    """``[notices.webhook]``."""

    url_file: Annotated[
        Text | None,
        Words(
            "the path of a file that holds the https address, which is a secret",
            '"/etc/longsoak/webhook"',
            needed=True,
        ),
    ] = None
    headers_file: Annotated[
        Text | None,
        Words(
            "the path of a file with lines such as Authorization: Bearer ...",
            '"/etc/longsoak/webhook-headers"',
        ),
    ] = None
    ca_file: Annotated[Text | None, _CA_FILE] = None


_addresses: TypeAdapter[list[str]] = TypeAdapter(
    Annotated[list[MailAddress], Field(min_length=1, strict=True)]
)


def _one_or_more(given: object) -> list[str]:
    # One union of two types would tell each mistake twice, and of a place that is not in the file.
    return _addresses.validate_python([given] if isinstance(given, str) else given)


class PersonTable(Table):
    """``[[people]]``."""

    name: Annotated[Name | None, named("the person's name or initials", "mk")] = None
    mail: Annotated[
        Annotated[list[str], PlainValidator(_one_or_more)] | None,
        Words("an e-mail address, or a list of them", '"mk@example.org"'),
    ] = None
    webhook_file: Annotated[
        Text | None,
        Words(
            "the path of a file that holds the https address, which is a secret",
            '"/etc/longsoak/webhook-mk"',
        ),
    ] = None
    apprise_file: Annotated[
        Text | None,
        Words(
            "the path of a file with addresses of services, one a line, which are secrets",
            '"/etc/longsoak/apprise-mk"',
        ),
    ] = None
    least: Annotated[
        Annotated[Priority, Field(strict=False)] | None,
        Field(alias="from"),
        one_of(Priority, needed=False),
    ] = None
    quiet: Annotated[
        Annotated[tuple[_TimeOfDay, _TimeOfDay], Field(strict=False)] | None,
        Words(
            "two times of day in the rig's time zone, from and until, in quotes",
            '["22:00", "07:00"]',
        ),
    ] = None
    watches: Annotated[
        Annotated[list[Annotated[Watch, Field(strict=False)]], Field(min_length=1)] | None,
        Words(
            "a list of one or more words that [[alarms]] takes for watch",
            '["overfill", "contact"]',
            choices=tuple(str(watch) for watch in Watch),
        ),
    ] = None


class MqttTable(Table):
    """``[notices.mqtt]``."""

    host: Annotated[Host | None, _HOST] = None
    port: Annotated[Port | None, Words("a port, a whole number from 1 to 65535", "1883")] = None
    prefix: Annotated[
        Topic | None,
        Words(
            "the first part of a topic, without + and #, not starting with $, no / at an end, "
            "1 to 60 characters",
            '"longsoak/render-pair"',
            needed=True,
        ),
    ] = None
    user: Annotated[Text | None, _USER] = None
    password_file: Annotated[Text | None, _FILE] = None
    version: Annotated[
        Annotated[MqttVersion, Field(strict=False)] | None,
        Words('"5" or "3.1.1", in quotes', '"5"', choices=("5", "3.1.1")),
    ] = None
    tls: Annotated[bool | None, _YES_OR_NO] = None
    ca_file: Annotated[
        Text | None,
        Words(
            "the path of a PEM file with the authority that signed the broker's certificate",
            '"/etc/longsoak/ca.pem"',
        ),
    ] = None
    certificate_file: Annotated[
        Text | None,
        Words(
            "the path of a PEM file with the certificate this computer shows",
            '"/etc/longsoak/rig.pem"',
        ),
    ] = None
    key_file: Annotated[
        Text | None,
        Words(
            "the path of a PEM file with the key of certificate_file, without a password",
            '"/etc/longsoak/rig.key"',
        ),
    ] = None


class ReadingsTable(Table):
    """``[forward.mqtt]``: every reading goes over the connection of ``[notices.mqtt]``."""

    rate: Annotated[
        Rate | None,
        measured("readings a second as a bare number, 1 to 10000", 200, unit="", needed=False),
    ] = None


class DatabaseTable(Table):
    """``[forward.database]``."""

    url: Annotated[
        WebAddress | None,
        Words(
            "http:// or https://, a host and its port, 1 to 65535, and nothing behind it",
            '"http://localhost:8428"',
            needed=True,
        ),
    ] = None
    org: Annotated[Text | None, Words("the organisation's name", '"-"')] = None
    bucket: Annotated[Text | None, Words("the bucket's name", '"rig"', needed=True)] = None
    token_file: Annotated[Text | None, _FILE] = None
    overlap: Annotated[
        Delay | None, measured("seconds as a bare number, 0 to 86400", 60, unit="s", needed=False)
    ] = None
