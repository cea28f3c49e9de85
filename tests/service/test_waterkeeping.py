"""The chore that keeps the water's books: what it finds, and where it goes on from."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from core.water import simulated
from core.water.simulated import Plan
from longsoak.service.waterkeeping import LOOKS_EVERY, WaterKeeping
from longsoak.store.logbook import Logbook
from longsoak.store.sealing import SealingPlan
from longsoak.store.water import WaterRecord
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.logbook import TOP_UP, LogbookEntry
from longsoak.vocabulary.water import Found, Wetting
from rigs import START_MS, Keeper
from waterrig import NAMES, water_rig

DAY = 86_400.0
DAY_MS = 86_400_000
POURED = Plan(days=6, seed=2, pours=[(2.5, 6.0)], stops=[(3.25, 3.5)])
LEAKS = Plan(days=8, seed=2, leaks=[(6.2, 6.5, 400.0)])


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with Keeper(tmp_path, water_rig()) as keeper:
        yield keeper


def record(keeper: Keeper, plan: Plan, *, since: float = 0.0) -> None:
    """Commit what a plan gives from a time on, in s, each reading at its own time."""
    layout = [name for name in NAMES if name in ("water level", "flow")]
    rows: list[dict[str, float | None]] = []
    for look in simulated.run(plan, simulated.Truth()):
        if look is None or look.at <= since:
            continue
        rows.append({name: look[NAMES.index(name) + 1] for name in layout})
    for start in range(0, len(rows), 500):
        keeper.scans(list(rows[start : start + 500]), after=plan.every)


def take_in(chore: WaterKeeping, *, now: float = 0.0) -> list[Event]:
    """Do all there is to do."""
    told: list[Event] = []
    while True:
        again, events = chore.do(now=now, utc_ms=5)
        told += events
        if again:
            assert again == LOOKS_EVERY
            return told


def test_what_is_found_is_kept_and_read_at_its_time(keeper: Keeper, tmp_path: Path) -> None:
    record(keeper, POURED)
    chore = WaterKeeping(tmp_path, keeper.writer, water_rig())
    events = take_in(chore)
    assert [event.subject for event in events] == ["top-up"]
    water = WaterRecord(tmp_path)
    (rise,) = water.happenings(Found.TOP_UP)
    assert rise.from_ms == pytest.approx(START_MS + 2.5 * DAY_MS, abs=900_000)
    assert rise.figures["litres"] == pytest.approx(6.0, abs=0.3)
    assert not rise.unsure
    hours = water.hours(since_ms=START_MS, until_ms=START_MS + 6 * DAY_MS)
    assert 135 < len(hours) < 145
    assert hours[0].at * 1000 == pytest.approx(START_MS + 30 * 60_000, abs=1_900_000)
    assert len({hour.stretch for hour in hours}) == 4  # top-up, stop and start end one
    part = water.hours(since_ms=START_MS + DAY_MS, until_ms=START_MS + 2 * DAY_MS)
    assert 23 <= len(part) <= 25
    wetted = water.wetted(["plain"], since_ms=START_MS, until_ms=START_MS + 6 * DAY_MS)["plain"]
    assert wetted[Wetting.STOPPED] == pytest.approx(0.25 * DAY, abs=200)
    assert wetted[Wetting.RUNNING] == pytest.approx(5.75 * DAY, abs=300)
    assert sum(wetted.values()) == pytest.approx(6 * DAY)
    only = water.wetted(["plain"], since_ms=START_MS + 3 * DAY_MS, until_ms=START_MS + 4 * DAY_MS)
    assert only["plain"][Wetting.STOPPED] == pytest.approx(0.25 * DAY, abs=200)


def test_it_goes_on_where_it_stopped_and_finds_the_same(tmp_path: Path) -> None:
    found = []
    for name, often in (("once", False), ("often", True)):
        folder = tmp_path / name
        with Keeper(folder, water_rig()) as keeper:
            record(keeper, POURED)
            chore = WaterKeeping(folder, keeper.writer, water_rig())
            if often:
                for _ in range(25):  # some bites, and a process that is killed
                    chore = WaterKeeping(folder, keeper.writer, water_rig())
                    for _ in range(13):
                        chore.do(now=0.0, utc_ms=5)
            take_in(chore)
            water = WaterRecord(folder)
            hours = water.hours(since_ms=0, until_ms=2 * START_MS)
            found.append((water.happenings(), hours))
    (once, hours), (often_news, often_hours) = found
    assert [(n.found, n.from_ms, n.figures) for n in once] == [
        (n.found, n.from_ms, n.figures) for n in often_news
    ]
    assert [pytest.approx(hour, nan_ok=True) for hour in hours] == often_hours


def test_a_leak_is_told_within_the_hour_on_a_machine_whose_clock_was_never_set(
    tmp_path: Path,
) -> None:
    with Keeper(tmp_path, water_rig(), start_ms=0, known=False) as keeper:
        record(keeper, LEAKS)
        chore = WaterKeeping(tmp_path, keeper.writer, water_rig())
        assert chore.alarms() == {}
        take_in(chore)
        leak = WaterRecord(tmp_path).happenings(Found.LEAK)[0]
        assert leak.unsure
        assert leak.from_ms == pytest.approx(6.2 * DAY_MS, abs=900_000)


def test_once_the_clock_is_set_it_lies_where_it_belongs(tmp_path: Path) -> None:
    with Keeper(tmp_path, water_rig(), start_ms=0, known=False) as keeper:
        record(keeper, POURED)
        take_in(WaterKeeping(tmp_path, keeper.writer, water_rig()))
        keeper.set_clock(START_MS)
        keeper.scan({"water level": 70.0, "flow": 1.0})
        (rise,) = WaterRecord(tmp_path).happenings(Found.TOP_UP)
        assert not rise.unsure
        assert rise.from_ms == pytest.approx(START_MS + 2.5 * DAY_MS, abs=900_000)
        assert WaterRecord(tmp_path).hours(since_ms=START_MS, until_ms=2 * START_MS)


def test_what_stands_is_for_the_alarms(keeper: Keeper, tmp_path: Path) -> None:
    plan = Plan(days=10, seed=2, leaks=[(8.0, 10.0, 6.0)], pours=[(4.0, 6.0), (7.0, 6.0)])
    record(keeper, plan)
    chore = WaterKeeping(tmp_path, keeper.writer, water_rig())
    take_in(chore)
    alarms = chore.alarms()
    assert "L/d are lost" in (alarms[Watch.LEAK] or "")
    assert alarms[Watch.SALTS] is None
    again = WaterKeeping(tmp_path, keeper.writer, water_rig())
    again.do(now=0.0, utc_ms=5)
    assert again.alarms() == alarms


def test_the_pump_is_unknown_after_a_cut_until_flow_says_so(tmp_path: Path) -> None:
    rig = water_rig()
    with Keeper(tmp_path, rig) as keeper:
        record(keeper, Plan(days=1))
        keeper.writer.begin_run(
            boot="another", software="0", utc_ms=keeper.now_ms, boottime_ms=0, synchronised=True
        )
        keeper._start_ms = keeper.now_ms + 6 * 3_600_000  # noqa: SLF001 - six hours without power
        keeper.now_ms = keeper._start_ms  # noqa: SLF001
        record(keeper, Plan(days=1.5, seed=4), since=DAY)
        take_in(WaterKeeping(tmp_path, keeper.writer, rig))
        water = WaterRecord(tmp_path)
        wetted = water.wetted(["plain"], since_ms=START_MS, until_ms=keeper.now_ms)["plain"]
        assert wetted[Wetting.UNKNOWN] == pytest.approx(6 * 3600, abs=300)
        assert wetted[Wetting.STOPPED] == 0.0


def test_sealed_scans_are_taken_in_alike(tmp_path: Path) -> None:
    found = []
    for sealed in (False, True):
        folder = tmp_path / str(sealed)
        with Keeper(folder, water_rig()) as keeper:
            record(keeper, Plan(days=4, seed=2, pours=[(2.5, 6.0)]))
            if sealed:
                sealing = keeper.writer.sealing(SealingPlan(tail=100, lengths=(1000,), enough=50))
                while sealing.bite():
                    pass
            take_in(WaterKeeping(folder, keeper.writer, water_rig()))
            found.append(WaterRecord(folder).happenings())
    assert found[0] == found[1]


def test_top_ups_are_put_beside_what_people_wrote(keeper: Keeper, tmp_path: Path) -> None:
    record(keeper, POURED)
    take_in(WaterKeeping(tmp_path, keeper.writer, water_rig()))
    at_ms = round(START_MS + 2.6 * DAY_MS)
    keeper.writer.commit(Batch(logbook=[_entry(at_ms, 6.1, 1), _entry(at_ms - DAY_MS, 1.0, 2)]))
    matched = WaterRecord(tmp_path).top_ups(Logbook(tmp_path))
    assert [top_up.agreement.value for top_up in matched] == [
        "only by hand",
        "by level and by hand",
    ]


def _entry(at_ms: int, litres: float, number: int) -> LogbookEntry:
    content = {
        "litres": None,
        "before_mm": None,
        "after_mm": None,
        "litres_by_can": litres,
        "source": "",
    }
    return LogbookEntry(
        asked_utc_ms=at_ms + 1,
        at_utc_ms=at_ms,
        by="mk",
        says="poured",
        kind=TOP_UP,
        content=content,
        number=number,
        request=str(number),
        kept_utc_ms=at_ms + 1,
        kept_boottime_ms=1,
        synchronised=True,
    )


def test_a_contact_sets_its_probes_aside(keeper: Keeper, tmp_path: Path) -> None:
    record(keeper, Plan(days=2, pours=[(1.0, 12.0)], bales=[(1.5, 12.0)]))
    take_in(WaterKeeping(tmp_path, keeper.writer, water_rig()))
    water = WaterRecord(tmp_path)
    (window,) = water.windows()
    assert window.from_ms == pytest.approx(START_MS + DAY_MS, abs=600_000)
    assert window.until_ms == pytest.approx(START_MS + 1.5 * DAY_MS, abs=600_000)
    aside = water.asides(water_rig(), now_ms=keeper.now_ms)
    assert {each.probe for each in aside} == {"C 10/60", "C 30/60", "C 50/60"}


def test_a_memory_that_can_not_be_read_begins_another_book(keeper: Keeper, tmp_path: Path) -> None:
    record(keeper, Plan(days=2))
    take_in(WaterKeeping(tmp_path, keeper.writer, water_rig()))
    before = WaterRecord(tmp_path).memory()
    assert before is not None
    with keeper.writer._db as db:  # noqa: SLF001 - damage of a kind
        db.execute("UPDATE water_memory SET memory = x'00'")
    record(keeper, Plan(days=4), since=2 * DAY)
    take_in(WaterKeeping(tmp_path, keeper.writer, water_rig()))
    after = WaterRecord(tmp_path).memory()
    assert after is not None
    assert after.book == before.book + 1
    hours = WaterRecord(tmp_path).hours(since_ms=0, until_ms=2 * START_MS)
    assert len({hour.stretch for hour in hours}) == 2


def test_a_record_of_an_earlier_version_has_no_water(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        WaterRecord(tmp_path / "nowhere").happenings()
    writer = RecordWriter(tmp_path, now="2026-05-04T09:00:00Z")
    try:
        assert WaterRecord(tmp_path).happenings() == []
        assert WaterRecord(tmp_path).memory() is None
    finally:
        writer.close()
