"""Which forwarders are told to fall behind."""

from pathlib import Path
from typing import cast

from longsoak.forward.times import TimedRecord
from longsoak.service.behind import LATE, Behind
from longsoak.service.outlets import OutletWorker
from rigs import Keeper, small_rig


class Sent:
    """An outlet that has come to some scan."""

    def __init__(self, outlet: str, position: int) -> None:
        self.outlet = outlet
        self.position = position


def found(
    keeper: Keeper, *outlets: Sent, away: tuple[str, ...] = (), up_ms: int = 10**9
) -> dict[str, str | None]:
    record = TimedRecord(keeper.record.folder, boottime_ms=lambda: up_ms)
    workers = cast("list[OutletWorker]", list(outlets))
    behind = Behind(workers, record, away=away.__contains__)
    behind.do(now=0.0, utc_ms=keeper.now_ms)
    return dict(behind.standing())


def test_a_forwarder_is_behind_once_its_oldest_unsent_scan_is_an_hour_old(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([{"T core": 20.0}] * 121, after=LATE / 60)
        said = found(keeper, Sent("database", 60), Sent("readings", 61), Sent("mail", 0))
    assert said == {"database": None, "readings": None}
    with Keeper(tmp_path / "more", small_rig()) as keeper:
        keeper.scans([{"T core": 20.0}] * 121, after=LATE / 60)
        said = found(keeper, Sent("database", 59), Sent("readings", 121))
    assert said == {
        "database": "62 scans not sent yet, the oldest taken 1 h 01 ago",
        "readings": None,
    }


def test_one_that_is_away_or_not_begun_is_left_out(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([{"T core": 20.0}] * 200, after=60)
        said = found(keeper, Sent("database", 0), Sent("readings", -1), away=("database",))
    assert said == {}


def test_what_waits_for_the_clock_is_no_peers_fault(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig(), known=False) as keeper:
        keeper.scans([{"T core": 20.0}] * 200, after=60)
        assert found(keeper, Sent("database", 0), up_ms=60_000) == {"database": None}
        assert found(keeper, Sent("database", 0))["database"] is not None
