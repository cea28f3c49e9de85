"""Where what is measured and told goes: a mail server, a broker, a database, backups, a pulse."""

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Mail:
    """Where notices go by e-mail. `password_file` holds the password, never the rig file.

    `to` are those who get everything. `digest` is when a mail goes every day, minutes after
    midnight UTC; None is never. `tls` encrypts from the first byte on, `starttls` after the
    greeting; `ca_file` holds the authority that signed the server's certificate, None is the
    system's own.
    """

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    starttls: bool
    user: str | None
    password_file: str | None
    digest: int | None = None
    tls: bool = False
    ca_file: str | None = None


class MqttVersion(StrEnum):
    """Which MQTT is spoken with a broker; the values are the words of the rig file."""

    V5 = "5"
    V3_1_1 = "3.1.1"


@dataclass(frozen=True, slots=True)
class Mqtt:
    """A broker that is told of alarms. `prefix` is the first part of every topic.

    `ca_file` holds the authority that signed the broker's certificate, None is the system's own;
    `certificate_file` and `key_file` are what this machine shows of itself, PEM all of them.
    `readings` is how many readings a second go there at most, None where none do.
    """

    host: str
    port: int
    prefix: str
    user: str | None
    password_file: str | None
    version: MqttVersion = MqttVersion.V5
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    readings: float | None = None


@dataclass(frozen=True, slots=True)
class Database:
    """A time-series database that takes line protocol at the v2 write address.

    `overlap` is how many seconds are sent again whenever the connection had to be made anew.
    """

    url: str
    org: str
    bucket: str
    token_file: str | None
    overlap: float


@dataclass(frozen=True, slots=True)
class Backup:
    """Where the record is copied to once a day, `at` min after midnight UTC.

    `keep` copies stay; `mounted` refuses a folder that no file system is mounted at.
    """

    to: str
    at: int
    keep: int
    mounted: bool


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """An address outside that counts signs of life, one every `every` s.

    It is `url`, or what the file `url_file` holds: whoever knows such an address can speak for the
    rig. `ca_file` holds the authority that signed the server's certificate, PEM; None is the
    system's own.
    """

    every: float
    url: str | None = None
    url_file: str | None = None
    ca_file: str | None = None
