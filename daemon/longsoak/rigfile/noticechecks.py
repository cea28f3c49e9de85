"""Whether what a rig file says of notices and people can work."""

from importlib.util import find_spec
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from longsoak.rigfile.draft import Draft
from longsoak.rigfile.outlettables import PersonTable
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import MISSING, Report, Written

_WAYS = ("mail", "webhook_file", "apprise_file")


def check_notices(draft: Draft, *, report: Report) -> None:
    """Note mail to nobody, encryption asked for twice, people out of reach, and a trial of none."""
    _check_mail(draft, report=report)
    lines: dict[str, int] = {}
    for person in draft.people:
        _check_person(person, draft, lines, report=report)
    trial = draft.notices.table.trial if draft.notices is not None else None
    if trial is None or draft.notices is None:
        return
    if not (draft.mail or draft.names_broker or draft.webhook or draft.people):
        report.add(
            (*draft.notices.path, "trial"),
            trial,
            expected="somebody who is told: [notices.mail], [notices.mqtt], [notices.webhook] or "
            "[[people]]",
            remedy="Add one of them, or remove trial.",
        )


def check_notices_here(draft: Draft, *, report: Report) -> None:
    """Note what this computer lacks for them: a time zone, and the library `apprise`."""
    zone = draft.rig.table.time_zone
    if zone is not None and not is_zone(zone):
        report.add(
            (*draft.rig.path, "time_zone"),
            zone,
            expected="a time zone by its IANA name, which this computer knows",
            remedy='Write for example time_zone = "Europe/Paris".',
        )
    for person in draft.people:
        if person.table.apprise_file is not None and find_spec("apprise") is None:
            report.add(
                (*person.path, "apprise_file"),
                person.table.apprise_file,
                expected="the library apprise, which is not installed",
                remedy="Run pip install 'longsoak[apprise]', or remove apprise_file.",
            )


def is_zone(name: str) -> bool:
    """Whether this computer knows a time zone of that name."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a path out of its folder, or a folder
        return False
    return True


def _check_mail(draft: Draft, *, report: Report) -> None:
    mail = draft.mail
    if mail is None:
        return
    if "to" not in mail.keys and not any("mail" in person.keys for person in draft.people):
        report.add(
            (*mail.path, "to"),
            MISSING,
            expected="a list of one or more e-mail addresses, or a person in [[people]] with mail",
            remedy='Write for example to = ["keeper@example.org"].',
        )
    if mail.table.tls and mail.table.starttls:
        report.add(
            (*mail.path, "starttls"),
            Written("true beside tls = true"),
            expected="one way to encrypt",
            remedy="Remove starttls (port 465), or tls (port 25 or 587).",
        )
    if mail.table.ca_file is not None and not (mail.table.tls or mail.table.starttls):
        report.add(
            (*mail.path, "ca_file"),
            mail.table.ca_file,
            expected="no certificate where nothing is encrypted",
            remedy="Add tls = true or starttls = true, or remove ca_file.",
        )


def _check_person(
    person: Part[PersonTable], draft: Draft, lines: dict[str, int], *, report: Report
) -> None:
    table, path = person.table, person.path
    if table.name is not None:
        line = report.line(path)
        first = lines.setdefault(table.name, line)
        if first != line:
            report.add(
                (*path, "name"),
                table.name,
                expected=f"a name of its own (line {first} has the same)",
                remedy="Rename one of the two.",
            )
    if not any(key in person.keys for key in _WAYS):
        report.add(
            (*path, "mail"),
            MISSING,
            expected=f"one or more of {', '.join(_WAYS)}",
            remedy='Write for example mail = "mk@example.org".',
        )
    notices = draft.notices
    if "mail" in person.keys and not (notices is not None and "mail" in notices.keys):
        report.add(
            (*path, "mail"),
            Written("without a mail server"),
            expected="[notices.mail] beside it, which says how mail is sent",
            remedy="Head a table with [notices.mail], and write host and from in it.",
        )
    if table.quiet is not None and table.quiet[0] == table.quiet[1]:
        report.add(
            (*path, "quiet"),
            list(table.quiet),
            expected="two different times of day",
            remedy="Correct one of them, or remove quiet.",
        )
