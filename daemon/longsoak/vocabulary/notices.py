"""Who is told of alarms, by which ways, and when not."""

from dataclasses import dataclass
from enum import StrEnum

from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.alarmplan import Watch

MAIL_LIST = "mail to the list"  # what an alarm about an address in `to` has for its subject
TRIAL = "trial"  # what a person acknowledges, and the kind of the events about it


class Way(StrEnum):
    """How a notice travels."""

    MAIL = "mail"
    MQTT = "mqtt"
    WEBHOOK = "webhook"
    APPRISE = "apprise"


@dataclass(frozen=True, slots=True)
class Quiet:
    """Hours in which only what is high is told, min after midnight in the rig's time zone.

    They go over midnight where they end before they begin.
    """

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Weekly:
    """A moment of each week in the rig's time zone: 0 is Monday, `minute` counts from midnight."""

    weekday: int
    minute: int


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told, by one or more ways.

    The files hold secrets: the address of a webhook, and the addresses of services that the
    library `apprise` knows. `least` is the least priority told, `watches` what is told of; None is
    everything.
    """

    name: str
    mail: tuple[str, ...] = ()
    webhook_file: str | None = None
    apprise_file: str | None = None
    least: Priority = Priority.LOW
    quiet: Quiet | None = None
    watches: tuple[Watch, ...] | None = None


@dataclass(frozen=True, slots=True)
class Webhook:
    """An address that each change of an alarm is posted to. The files hold secrets but `ca_file`.

    `headers_file` holds lines such as ``Authorization: Bearer ...``; `ca_file` the authority that
    signed the server's certificate, None is the system's own.
    """

    url_file: str
    headers_file: str | None = None
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class Route:
    """One way to one person, or to everybody where `person` is None. `name` is its cursor's."""

    name: str
    way: Way
    person: Person | None = None

    @property
    def server(self) -> str:
        """What the alarm about its other end has for its subject: mail has one server for all."""
        return Way.MAIL.value if self.way is Way.MAIL else self.name

    @property
    def refuser(self) -> str:
        """What the alarm about its refusals has for its subject."""
        return MAIL_LIST if self.name == Way.MAIL else self.name
