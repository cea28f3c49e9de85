"""The mail of every day: how the rig stands, and the root of the day that was closed last."""

from collections.abc import Callable
from typing import NamedTuple

from longsoak.core.wording import age_words, gap_length_words, time_words, with_noun
from longsoak.notify.digestlines import alarm_lines, notice_lines
from longsoak.notify.words import INVENTED, one_line
from longsoak.store.daycounts import ClosedDays
from longsoak.store.noticerecord import NoticeRecord
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.notices import Way
from longsoak.vocabulary.rig import Rig

CURSOR = "digest"
BEHIND = 600.0  # s after which a scan that was not sent on is worth a word
_DAY_MS = 86_400_000
_MINUTE_MS = 60_000
_FORWARDED = {"database": "database", "readings": "MQTT"}  # cursor, and what it feeds


def digest_cursor(route: str) -> str:
    """Where it is kept which one a route carried last."""
    return CURSOR if route == Way.MAIL else f"{CURSOR} by {route}"


class Digest(NamedTuple):
    """A mail that is due. `number` is the day's, counted from 1970, for whoever keeps it."""

    number: int
    subject: str
    text: str


class DailyDigest:
    """What is due once a day at a time of day in UTC, so that summer time never matters.

    One that could not go at its time goes as soon as it can, once; the first goes at once. None
    goes before the clock is known.

    Parameters
    ----------
    record : Record
        What it tells of, and where `cursor` says which one went last.
    rig : Rig
        Says what the alarms mean.
    at : int
        Minutes after midnight UTC.
    utc_ms, synchronised : callable
        The wall clock, ms, and whether it is known.
    sent : callable
        Takes the number of the one that went, to be saved.
    cursor : str
        That of the route it goes by.
    """

    def __init__(
        self,
        record: Record,
        rig: Rig,
        *,
        at: int,
        utc_ms: Callable[[], int],
        synchronised: Callable[[], bool],
        sent: Callable[[int], None],
        cursor: str = CURSOR,
    ) -> None:
        self._cursor = cursor
        self._record = record
        self._rig = rig
        self._at = at
        self._utc_ms = utc_ms
        self._synchronised = synchronised
        self._sent = sent
        self._last: int | None = None
        self._counted: tuple[DayHead, str] | None = None  # a server that is away asks for it often

    def due(self) -> Digest | None:
        """The mail that has to go now, if one has to.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        if not self._synchronised():
            return None
        utc_ms = self._utc_ms()
        number = (utc_ms - self._at * _MINUTE_MS) // _DAY_MS
        if self._last is None:
            self._last = self._record.cursor(self._cursor)
        if number == self._last:  # another one, be it smaller: the clock may have been years ahead
            return None
        days = ClosedDays(self._record.folder)
        head = days.last_head()
        if head is not None and (self._counted is None or self._counted[0] != head):
            self._counted = head, "".join(_told(str(head.day), lambda: _measured(days, head)))
        return _digest(number, self._record, self._rig, self._counted, utc_ms=utc_ms)

    def went(self, number: int) -> None:
        """Note that the server took it."""
        self._last = number
        self._sent(number)


def _digest(
    number: int,
    record: Record,
    rig: Rig,
    counted: tuple[DayHead, str] | None,
    *,
    utc_ms: int,
) -> Digest:
    alarms = record.alarms().values()
    standing = [c for c in alarms if c.new.standing]
    lines = [f"How {one_line(rig.name)} stands, {time_words(utc_ms)}", ""]
    told = NoticeRecord(record.folder)
    came = {c.key: raised for c in standing if (raised := told.came(c)) is not None}
    lines += alarm_lines(rig, alarms, came=came, utc_ms=utc_ms)
    lines += _told("the notices", lambda: notice_lines(rig, record.folder, utc_ms=utc_ms))
    lines += [""]
    lines += _told("the last reading", lambda: _last_scan(record, utc_ms))
    lines += [] if counted is None else [counted[1]]
    lines += _told("the gaps", lambda: _gaps(record, utc_ms))
    lines += _told("what was sent on", lambda: _unsent(record, rig, utc_ms))
    if rig.page is not None:
        lines += ["", f"To look: {rig.page}"]
    lines += ["", *_root(None if counted is None else counted[0])]
    if rig.invented:
        lines += ["", INVENTED]
    stand = "no alarm stands"
    if standing:
        stand = f"{with_noun(len(standing), 'alarm')} {'stands' if len(standing) == 1 else 'stand'}"
    about = f"{one_line(rig.name)}, day by day: {stand}"
    return Digest(number, about, "\n".join(lines) + "\n")


def _told(what: str, look: Callable[[], list[str]]) -> list[str]:
    """Some lines, or that they can't be had: the root of a damaged record must go all the same."""
    try:
        return look()
    except (StoreError, ValueError) as error:
        return [f"Not known: {what}: {one_line(str(error))}"]


def _last_scan(record: Record, utc_ms: int) -> list[str]:
    last = record.last_utc_ms()
    if last is None:
        return ["Nothing was measured yet."]
    age = age_words(max(0.0, (utc_ms - last) / 1000))
    return [f"The last reading was taken {age} before this."]


def _measured(days: ClosedDays, head: DayHead) -> list[str]:
    count = days.measured(head.day)
    if not count.readings:
        return [f"{head.day}: no readings."]
    share = 100 * count.good / count.readings
    return [
        f"{head.day}: {count.readings:,} readings in {with_noun(count.scans, 'scan')}, "
        f"{count.good:,} of them a pass ({share:.1f} %)."
    ]


def _gaps(record: Record, utc_ms: int) -> list[str]:
    gaps = [gap for gap in record.gaps() if 0 <= utc_ms - gap.to_utc_ms < _DAY_MS]
    if not gaps:
        return ["No gap since the same time yesterday."]
    return [
        f"Gap: no readings for {gap_length_words(gap)} until {time_words(gap.to_utc_ms)} "
        f"({'stopped on purpose' if gap.clean else 'cut off'})."
        for gap in gaps
    ]


def _unsent(record: Record, rig: Rig, utc_ms: int) -> list[str]:
    """What forwarders owe for longer than they take for it."""
    wanted = {"database": rig.database is not None}
    wanted["readings"] = rig.mqtt is not None and rig.mqtt.readings is not None
    lines = []
    for cursor, where in _FORWARDED.items():
        if not wanted[cursor]:
            continue
        position = record.cursor(cursor)
        first = record.scans_after(position, limit=1)
        age = (utc_ms - first[0].utc_ms) / 1000 if first else 0.0
        if age > BEHIND:
            newest, _ = record.version()
            owed = with_noun(newest - position, "scan")
            lines.append(f"Not sent to the {where} yet: {owed}, the oldest {age_words(age)} old.")
    return lines


def _root(head: DayHead | None) -> list[str]:
    if head is None:
        return ["No day is closed yet: the first is when the next one has begun."]
    return [
        f"Closed day: {head.day}",
        f"Root: {head.root}",
        "Keep this mail. With the two lines above anybody can check that nothing in the",
        "record was altered up to the end of that day:",
        f"  longsoak audit rig.toml --date {head.day} \\",
        f"    --root {head.root}",
    ]
