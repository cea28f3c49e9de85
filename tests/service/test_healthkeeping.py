"""The chore that judges what was recorded: what it tells, keeps, and goes on from."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from healthrig import A_DAY, Seen, as_it_is, rig, shifted, sound
from longsoak.core.handflags import flag_content, hand_flags
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.store.health import HealthRecord
from longsoak.store.logbook import Logbook
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.health import Fault
from longsoak.vocabulary.logbook import FLAG, About, LogbookEntry, Subject
from longsoak.vocabulary.rig import Rig
from rigs import Keeper

MIDNIGHT_MS = 1_777_852_800_000  # 2026-05-04
SICK: dict[str, Seen] = {
    "C 30/160": shifted(lambda day: 3.0 if day >= 12 else 0),
    "RH room 0": shifted(lambda day: 20.0 if day == 9.5 else 0),
}


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with Keeper(tmp_path, rig(), start_ms=MIDNIGHT_MS - 900_000) as keeper:
        yield keeper


def live(keeper: Keeper, days: Iterable[int], of: Rig | None = None) -> None:
    """Record so many days of the rig with what is wrong of it."""
    of = of or rig()
    for day in days:
        rows: list[dict[str, float | None]] = [{} for _ in range(A_DAY)]
        for probe in of.probes:
            source = Random(f"{probe.name} {day}")  # noqa: S311 - noise, not secrets
            for i, row in enumerate(rows):
                at = day * A_DAY + i
                value = sound(probe, at, source)
                row[probe.name] = SICK.get(probe.name, as_it_is)(at, value)[1]
        keeper.scans(list(rows), after=900)


def judge(chore: HealthKeeping) -> list[Event]:
    """Do all there is to do."""
    told: list[Event] = []
    while True:
        again, events = chore.do(now=0.0, utc_ms=5)
        told += events
        if again:
            return told


def judging(keeper: Keeper, of: Rig | None = None) -> HealthKeeping:
    return HealthKeeping(keeper.record.folder, keeper.writer, of or rig())


def test_what_is_found_is_told_kept_and_stands(keeper: Keeper) -> None:
    live(keeper, range(16))
    chore = judging(keeper)
    assert chore.doubts() is None
    (event,) = judge(chore)
    assert (event.kind, event.subject) == ("health", "C 30/160")
    assert chore.doubts() == {(Watch.DOUBT, "C 30/160"): event.says}
    record = HealthRecord(keeper.record.folder)
    (finding,) = record.standing()
    assert (finding.probe, finding.fault, finding.says) == ("C 30/160", Fault.STEP, event.says)
    assert finding.since_ms == MIDNIGHT_MS + 12 * 86_400_000
    assert finding.figures["change"] == pytest.approx(3, abs=0.1)
    assert record.findings() == record.findings("C 30/160") == [finding]
    assert record.findings("RH room 0") == []
    end = keeper.now_ms + 1
    at = MIDNIGHT_MS + round(9.5 * 86_400_000)
    found = record.suspicions("RH room 0", since_ms=MIDNIGHT_MS, until_ms=end)
    assert {(each.check.value, each.first_ms, each.flag) for each in found} == {
        ("spike", at, Flag.SUSPECT),
        ("changes too fast", at, Flag.SUSPECT),
    }
    assert record.suspicions("RH room 0", since_ms=MIDNIGHT_MS, until_ms=at) == []


def test_good_readings_are_counted_by_closed_days(keeper: Keeper) -> None:
    live(keeper, range(9))
    bad = Flag.FAIL, Reason.OPEN_CIRCUIT
    for _ in range(A_DAY // 2):
        values = {probe.name: 15.0 for probe in rig().probes}
        keeper.scan({**values, "C 30/60": None}, flags={"C 30/260": bad}, after=900)
    for _ in range(A_DAY // 2 + 1):
        keeper.scan({probe.name: 15.0 for probe in rig().probes}, after=900)
    judge(judging(keeper))
    for name in ("C 30/60", "C 30/260"):
        good = HealthRecord(keeper.record.folder).goodness()[name]
        assert good == (48, 6 * 96 + 48, 9 * 96 + 48, 10)


def test_it_comes_to_the_same_in_one_go_and_from_restart_to_restart(tmp_path: Path) -> None:
    found = []
    for name, steps in (("once", (20,)), ("often", (3, 7, 12, 13, 15, 20))):
        with Keeper(tmp_path / name, rig(), start_ms=MIDNIGHT_MS - 900_000) as keeper:
            done = 0
            for upto in steps:
                live(keeper, range(done, upto))
                done = upto
                judge(judging(keeper))
            record = HealthRecord(keeper.record.folder)
            found.append((record.findings(), record.goodness()))
    assert found[0] == found[1]
    assert len(found[0][0]) == 1


def test_it_comes_to_the_same_of_sealed_scans(tmp_path: Path) -> None:
    found = []
    for name in ("live", "sealed"):
        with Keeper(tmp_path / name, rig(), start_ms=MIDNIGHT_MS - 900_000) as keeper:
            live(keeper, range(20))
            if name == "sealed":
                sealing = keeper.writer.sealing(SealingPlan(tail=100, lengths=(300,)))
                while sealing.bite():
                    pass
            judge(judging(keeper))
            record = HealthRecord(keeper.record.folder)
            found.append((record.findings(), record.goodness()))
    assert found[0] == found[1]


def test_nothing_is_told_twice_after_a_kill(keeper: Keeper) -> None:
    """What was judged and not saved is judged again; what was told was saved with it."""
    live(keeper, range(16))
    chore = judging(keeper)
    for _ in range(20):
        chore.do(now=0.0, utc_ms=5)
    again = judging(keeper)
    judge(again)
    record = HealthRecord(keeper.record.folder)
    assert len(record.findings()) == 1
    at = MIDNIGHT_MS + round(9.5 * 86_400_000)
    spikes = record.suspicions("RH room 0", since_ms=at, until_ms=at + 1)
    assert len(spikes) == 2
    assert record.goodness()["C 30/60"].days == 15


def test_the_chore_of_another_run_knows_what_stands(keeper: Keeper) -> None:
    live(keeper, range(16))
    judge(judging(keeper))
    chore = judging(keeper)
    assert judge(chore) == []
    assert list(chore.doubts() or ()) == [(Watch.DOUBT, "C 30/160")]


def test_a_probe_that_was_moved_is_judged_anew(keeper: Keeper) -> None:
    live(keeper, range(16))
    judge(judging(keeper))
    old = rig()
    moved = replace(
        old, probes=tuple(replace(p, depth=40) if p.name == "C 30/160" else p for p in old.probes)
    )
    live(keeper, [16])
    chore = judging(keeper, moved)
    (event,) = judge(chore)
    assert event.says == "C 30/160: judged anew from here on"
    assert chore.doubts() == {}
    record = HealthRecord(keeper.record.folder)
    assert [finding.over for finding in record.findings()] == [False, True]
    assert record.standing() == []


def test_memory_that_a_version_can_not_read_is_no_end(keeper: Keeper) -> None:
    live(keeper, range(16))
    judge(judging(keeper))
    keeper.writer._db.execute("UPDATE health_memory SET memory = x'00'")  # noqa: SLF001
    live(keeper, [16])
    chore = judging(keeper)
    assert [event.says for event in judge(chore)] == ["C 30/160: judged anew from here on"]
    assert HealthRecord(keeper.record.folder).goodness()["C 30/60"].days == 16


def test_a_bite_is_short_and_sealed_scans_go_probe_by_probe(keeper: Keeper) -> None:
    live(keeper, range(6))
    sealing = keeper.writer.sealing(SealingPlan(tail=96, lengths=(480,)))
    while sealing.bite():
        pass
    chore = judging(keeper)
    bites = 0
    while not chore.do(now=0.0, utc_ms=5)[0]:
        bites += 1
    probes = len(rig().probes)
    assert bites == 1 + probes + 2  # taken up, 480 sealed scans, 96 in two


def test_the_first_scans_that_are_judged_are_noted_at_once(keeper: Keeper) -> None:
    keeper.scan({"C 30/60": 15.0}, after=900)
    assert not HealthRecord(keeper.record.folder).begun()
    judge(judging(keeper))
    assert HealthRecord(keeper.record.folder).begun()


def test_while_no_clock_is_known_nothing_is_judged(tmp_path: Path) -> None:
    with Keeper(tmp_path, rig(), start_ms=60_000, known=False) as keeper:
        live(keeper, range(1))
        chore = judging(keeper)
        judge(chore)
        assert HealthRecord(tmp_path).memory() is None
        keeper.set_clock(MIDNIGHT_MS)
        live(keeper, range(1, 16))
        judge(chore)
        assert HealthRecord(tmp_path).goodness()["C 30/60"].days >= 14


def test_what_was_flagged_as_not_to_be_judged_is_kept_and_not_judged(keeper: Keeper) -> None:
    """Hands are at the pins for three hours, and an older flag lifts what a step told."""
    day = MIDNIGHT_MS + 9 * 86_400_000

    def flagged(number: int, flag: Flag, since: int, until: int, probe: str) -> None:
        entry = LogbookEntry(
            asked_utc_ms=until,
            at_utc_ms=since,
            by="mk",
            says="hands at the pins",
            kind=FLAG,
            subject=Subject(About.PROBE, probe),
            content=flag_content(flag, until_ms=until),
            number=number,
            request=f"{number}",
            kept_utc_ms=until,
        )
        keeper.writer.commit(Batch(logbook=[entry]))

    live(keeper, range(16))
    flagged(1, Flag.NOT_EVALUATED, day, day + 86_400_000, "RH room 0")
    chore = judging(keeper)
    judge(chore)
    record = HealthRecord(keeper.record.folder)
    assert record.suspicions("RH room 0", since_ms=MIDNIGHT_MS, until_ms=keeper.now_ms + 1) == []
    assert list(chore.doubts() or ()) == [(Watch.DOUBT, "C 30/160")]
    flagged(2, Flag.PASS, day, keeper.now_ms, "C 30/160")
    judge(chore)
    assert chore.doubts() == {}
    by_hand = hand_flags(Logbook(keeper.record.folder).entries(kind=FLAG))
    good = record.goodness({"RH room 0": [f for f in by_hand if f.number == 1]})
    assert good["RH room 0"].whole == good["RH room 1"].whole - 96
