"""Turns checked tables about notices into the vocabulary's parts, defaults filled in."""

from longsoak.rigfile.outlettables import MailTable, PersonTable, WebhookTable
from longsoak.rigfile.words import given
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.notices import Person, Quiet, Webhook, Weekly

SMTP_PORT = 25  # RFC 5321, 4.5.4.2
SMTP_TLS_PORT = 465  # RFC 8314, 7.3: registered for submission over TLS, from memory
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def mail_of(table: MailTable) -> Mail:
    """Where notices go by e-mail."""
    usual = SMTP_TLS_PORT if table.tls else SMTP_PORT
    return Mail(
        host=given(table.host),
        port=usual if table.port is None else table.port,
        sender=given(table.sender),
        to=tuple(table.to or ()),
        starttls=bool(table.starttls),
        user=table.user,
        password_file=table.password_file,
        digest=None if table.digest is None else minutes_of(table.digest),
        tls=bool(table.tls),
        ca_file=table.ca_file,
    )


def webhook_of(table: WebhookTable) -> Webhook:
    """Where each change of an alarm is posted to."""
    return Webhook(given(table.url_file), table.headers_file, table.ca_file)


def person_of(table: PersonTable) -> Person:
    """Somebody who is told."""
    return Person(
        name=given(table.name),
        mail=tuple(table.mail or ()),
        webhook_file=table.webhook_file,
        apprise_file=table.apprise_file,
        least=table.least or Priority.LOW,
        quiet=None if table.quiet is None else Quiet(*map(minutes_of, table.quiet)),
        watches=None if table.watches is None else tuple(table.watches),
    )


def weekly_of(at: str) -> Weekly:
    """A day of the week and a time of day."""
    day, time = at.split(" ")
    return Weekly(_DAYS.index(day), minutes_of(time))


def minutes_of(at: str) -> int:
    """A time of day as minutes after midnight."""
    hours, minutes = at.split(":")
    return 60 * int(hours) + int(minutes)
