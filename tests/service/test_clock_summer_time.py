"""The mail of every day and the closing of days go by UTC, whatever zone the machine is set to."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from longsoak.notify.digest import DailyDigest, Digest
from longsoak.service.dayclosing import DayClosing
from longsoak.store.ledger import Ledger
from longsoak.store.writer import Batch
from rigs import Keeper, small_rig
from store.auditrecord import close_days

RIG = small_rig(name="render pair")
EVE_MS = 1_793_404_800_000  # 2026-10-31T00:00:00Z
HOUR_MS = 3_600_000
SIX = 6 * 60  # min after midnight: the very minute at which summer time ends in Toronto


@pytest.fixture(params=["UTC", "America/Toronto"])
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield request.param
    monkeypatch.undo()
    time.tzset()


def test_a_mail_goes_each_day_at_its_hour_over_the_end_of_summer_time(
    tmp_path: Path, zone: str
) -> None:
    assert time.tzname[0] == ("UTC" if zone == "UTC" else "EST")
    went: list[tuple[int, str]] = []
    with Keeper(tmp_path, RIG, start_ms=EVE_MS - HOUR_MS) as keeper:
        now = EVE_MS
        digest = DailyDigest(
            keeper.record,
            RIG,
            at=SIX,
            utc_ms=lambda: now,
            synchronised=lambda: True,
            sent=lambda number: keeper.writer.commit(Batch(cursors={"digest": (number, now)})),
        )
        while now < EVE_MS + 72 * HOUR_MS:
            keeper.scan({"C 10/60": 17.5}, after=HOUR_MS / 2000)
            due: Digest | None = digest.due()
            if due is not None:
                went.append(((now - EVE_MS) // HOUR_MS, due.text.splitlines()[0]))
                digest.went(due.number)
            now += HOUR_MS // 2
    # The first goes at once; then one a day, at six.
    assert went == [
        (0, "How render pair stands, 31 Oct 2026, 00:00:00 UTC"),
        (6, "How render pair stands, 31 Oct 2026, 06:00:00 UTC"),
        (30, "How render pair stands, 1 Nov 2026, 06:00:00 UTC"),
        (54, "How render pair stands, 2 Nov 2026, 06:00:00 UTC"),
    ]


@pytest.mark.usefixtures("zone")
def test_a_day_is_closed_at_midnight_utc_over_the_end_of_summer_time(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG, start_ms=EVE_MS - 1000) as keeper:
        for _ in range(3 * 24):
            keeper.scan({"C 10/60": 17.5}, after=3600)
        close_days(DayClosing(tmp_path, keeper.writer), keeper)
        head = Ledger(tmp_path).last_head()
    assert head is not None
    assert str(head.day) == "2026-11-01"
