"""A route as the service makes it, with clocks set by hand and all it reports kept."""

import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from longsoak.notify.digest import DailyDigest
from longsoak.notify.mail import MailCarrier
from longsoak.notify.notice import Carrier, Reports
from longsoak.notify.occasion import TrialCall
from longsoak.notify.route import RouteNotices
from longsoak.store.noticerecord import NoticeRecord
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.notices import Person, Route, Way
from longsoak.vocabulary.rig import Rig
from rigs import Keeper

TO_ALL = Route("mail", Way.MAIL)


@dataclass(slots=True)
class Clocks:
    """Clocks that are set by hand; all that passes, passes on all of them."""

    utc: int
    known: bool = True
    passed: float = 0.0  # s
    began: int | None = None  # UTC ms of CLOCK_BOOTTIME zero

    def utc_ms(self) -> int:
        return self.utc

    def boottime_ms(self) -> int:
        return self.utc - (self.utc if self.began is None else self.began)

    def monotonic(self) -> float:
        return self.passed

    def synchronised(self) -> bool:
        return self.known

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.passed += seconds
        self.utc += round(1000 * seconds)


@dataclass(slots=True)
class Told:
    """What a route reported."""

    events: list[tuple[str, str]] = field(default_factory=list)
    refused: list[str | None] = field(default_factory=list)
    cursors: list[tuple[str, int]] = field(default_factory=list)

    def reports(self, keeper: Keeper | None = None, route: str = "mail") -> Reports:
        """Where a route reports to; with `keeper` it is kept in the record as the service does."""

        def event(kind: str, says: str) -> None:
            self.events.append((kind, says))
            if keeper is not None:
                at = keeper.now_ms
                keeper.writer.commit(Batch(events=[Event(at, kind, route, says, None)]))

        def cursor(name: str, position: int) -> None:
            self.cursors.append((name, position))
            if keeper is not None:
                keeper.writer.commit(Batch(cursors={name: (position, keeper.now_ms)}))

        return Reports(event, self.refused.append, cursor)


def by_mail(
    record: Record,
    rig: Rig,
    settings: Mail,
    *,
    password: str | None = None,
    patience: float = 10.0,
    now: Clocks | None = None,
    told: Told | None = None,
    digest: DailyDigest | None = None,
    monotonic: Callable[[], float] | None = None,
) -> RouteNotices:
    """The route to everybody on the list."""
    tls = ssl.create_default_context() if settings.starttls or settings.tls else None
    carrier = MailCarrier(settings, settings.to, password=password, tls=tls, patience=patience)
    clocks: Clocks = now or Clocks(0)
    if monotonic is not None:
        clocks = _Beside(0, tick=monotonic)
    return a_route(TO_ALL, record, rig, carrier, now=clocks, told=told, digest=digest)


@dataclass(slots=True)
class _Beside(Clocks):
    """Clocks of which one is another's."""

    tick: Callable[[], float] = lambda: 0.0

    def monotonic(self) -> float:
        return self.tick()


def a_route(
    route: Route,
    record: Record,
    rig: Rig,
    carrier: Carrier,
    *,
    now: Clocks,
    told: Told | None = None,
    keeper: Keeper | None = None,
    zone: tzinfo = UTC,
    digest: DailyDigest | None = None,
    trial: bool = False,
) -> RouteNotices:
    """A route with a carrier of its own."""
    seen, identity = NoticeRecord(record.folder), "a record"
    call = None
    if trial:
        call = TrialCall(seen, rig, route=route.name, identity=identity, monotonic=now.monotonic)
    return RouteNotices(
        route,
        record,
        rig,
        carrier,
        now=now,
        zone=zone,
        reports=(told or Told()).reports(keeper, route.name),
        identity=identity,
        trial=call,
        digest=digest,
    )


def to_mk(way: Way = Way.MAIL, **said: object) -> Route:
    """The route to a person called mk."""
    person = Person("mk", mail=("mk@example.org",), **said)  # type: ignore[arg-type]  # as a test says
    return Route(f"{way} to mk", way, person)
