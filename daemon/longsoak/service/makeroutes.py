"""Every route of notices a rig file sets up but MQTT, each to be built in its own thread."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from longsoak.rigfile.placeoffile import place_of
from longsoak.service.clock import Clock
from longsoak.service.messages import CursorMoved, Happened, News, Refuses
from longsoak.store.noticerecord import NoticeRecord
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import ForwardError, NoticeError, StoreError
from longsoak.vocabulary.notices import Route, Way
from longsoak.vocabulary.outlet import Outlet
from longsoak.vocabulary.rig import Rig

if TYPE_CHECKING:
    from longsoak.notify.appriseway import AppriseCarrier
    from longsoak.notify.mail import MailCarrier
    from longsoak.notify.notice import Carrier, Reports
    from longsoak.notify.occasion import TrialCall
    from longsoak.notify.webhook import WebhookCarrier

Put = Callable[[News], None]


def make_route(
    route: Route, record: Record, rig: Rig, beside: Path, clock: Clock, put: Put
) -> Outlet:
    """Make the outlet of one route.

    Parameters
    ----------
    route : Route
        Which.
    record : Record
        As notices see it.
    rig : Rig
        Says where to, and what the alarms mean.
    beside : Path
        Where the files lie that the rig file names.
    clock : Clock
        The clocks.
    put : callable
        Takes what the outlet has to say.

    Raises
    ------
    NoticeError
        A secret or a certificate can't be read, or a library is not there.
    StoreError
        The record can't be read.
    """
    from longsoak.notify.route import RouteNotices

    digest = None
    if route.way is Way.MAIL and rig.mail is not None and rig.mail.digest is not None:
        from longsoak.notify.digest import DailyDigest, digest_cursor

        cursor = digest_cursor(route.name)
        digest = DailyDigest(
            record,
            rig,
            at=rig.mail.digest,
            utc_ms=clock.utc_ms,
            synchronised=clock.synchronised,
            sent=lambda number: put(CursorMoved(cursor, number)),
            cursor=cursor,
        )
    return RouteNotices(
        route,
        record,
        rig,
        _CARRIERS[route.way](route, rig, beside),
        now=clock,
        zone=ZoneInfo(rig.time_zone),
        reports=reports_of(route.name, put),
        identity=NoticeRecord(record.folder).identity(),
        trial=trial_call(route.name, record, rig, clock),
        digest=digest,
    )


def reports_of(route: str, put: Put) -> "Reports":
    """Where a route tells what becomes of its notices."""
    from longsoak.notify.notice import Reports

    return Reports(
        event=lambda kind, says: put(Happened(kind, route, says)),
        refuses=lambda says: put(Refuses(route, says)),
        cursor=lambda name, position: put(CursorMoved(name, position)),
    )


def trial_call(route: str, record: Record, rig: Rig, clock: Clock) -> "TrialCall | None":
    """What tells a route of the weekly trial; None where there is none.

    Raises
    ------
    NoticeError
        The record can't be read.
    """
    from longsoak.notify.occasion import TrialCall

    if rig.trial is None:
        return None
    told = NoticeRecord(record.folder)
    try:
        identity = told.identity()
    except StoreError as error:
        raise NoticeError(f"nothing could be read to send: {error}") from error
    return TrialCall(told, rig, route=route, identity=identity, monotonic=clock.monotonic)


def secret(
    beside: Path, file: str | None, kind: type[ForwardError] | type[NoticeError]
) -> str | None:
    """What a file holds that the rig file names; None where it names none."""
    if file is None:
        return None
    path = place_of(file, beside=beside)
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise kind(f"the secret in {path} can't be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise kind(f"the secret in {path} is no text in UTF-8") from error


def _mail(route: Route, rig: Rig, beside: Path) -> "MailCarrier":
    from longsoak.notify.mail import MailCarrier
    from longsoak.service.tls import trusting

    settings = rig.mail
    assert settings is not None  # noqa: S101 - no route by mail without it
    tls = None
    if settings.tls or settings.starttls:
        tls = trusting(settings.ca_file, table="[notices.mail]", beside=beside)
    return MailCarrier(
        settings,
        settings.to if route.person is None else route.person.mail,
        password=secret(beside, settings.password_file, NoticeError),
        tls=tls,
    )


def _webhook(route: Route, rig: Rig, beside: Path) -> "WebhookCarrier":
    from longsoak.notify.webhook import WebhookCarrier, headers_of
    from longsoak.service.tls import trusting

    person, settings = route.person, rig.webhook
    if person is not None:
        url = secret(beside, person.webhook_file, NoticeError)
        tls = trusting(None, table="[[people]]", beside=beside)
        return WebhookCarrier(url or "", headers={}, tls=tls)
    assert settings is not None  # noqa: S101 - as above
    headers = headers_of(secret(beside, settings.headers_file, NoticeError) or "")
    tls = trusting(settings.ca_file, table="[notices.webhook]", beside=beside)
    url = secret(beside, settings.url_file, NoticeError)
    return WebhookCarrier(url or "", headers=headers, tls=tls)


def _apprise(route: Route, rig: Rig, beside: Path) -> "AppriseCarrier":
    try:
        from longsoak.notify.appriseway import AppriseCarrier
    except ImportError as error:
        raise NoticeError(
            "the library apprise is not installed. Run pip install 'longsoak[apprise]'."
        ) from error
    assert route.person is not None  # noqa: S101 - as above
    text = secret(beside, route.person.apprise_file, NoticeError) or ""
    lines = (line.strip() for line in text.splitlines())
    return AppriseCarrier([line for line in lines if line and not line.startswith("#")])


_CARRIERS: "Mapping[Way, Callable[[Route, Rig, Path], Carrier]]" = {
    Way.MAIL: _mail,
    Way.WEBHOOK: _webhook,
    Way.APPRISE: _apprise,
}
