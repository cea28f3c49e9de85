"""Each campaign in short; and each finds a loss that is planted."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from faults import aside, broker, database, failing, full, kill, powercut, scripted, service, water
from faults.__main__ import main
from faults.chance import drawn_from
from faults.victim import Victim
from faults.witness import Witness
from longsoak.core.topics import probe_topic
from longsoak.forward.lines import Lines
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from rigs import Keeper, small_rig

SEED = 5


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A record that a child has written, and the last scan that it acknowledged."""
    folder = tmp_path_factory.mktemp("record")
    child = Victim(folder, seed=SEED, run=0, arguments=("--seals-often", "--until", "400"))
    assert child.end() == 0, child.said
    return folder, child.heard.acknowledged


def change(record: tuple[Path, int], to: Path, statement: str) -> list[str]:
    """What a witness says of a copy of the record that somebody has changed."""
    folder, acknowledged = record
    with closing(sqlite3.connect(folder / "record.db")) as db:
        db.execute("VACUUM INTO ?", (str(to / "record.db"),))
    with closing(sqlite3.connect(to / "record.db")) as db, db:
        assert db.execute(statement).rowcount > 0
    return Witness(SEED, to / "nothing").of(to).complaints(acknowledged, thorough=True)


def test_a_record_that_nobody_touched_is_found_whole(written: tuple[Path, int]) -> None:
    folder, acknowledged = written
    assert kill.sealed(folder) > 100
    assert (
        Witness(SEED, folder / "nothing").of(folder).complaints(acknowledged, thorough=True) == []
    )


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("DELETE FROM scan WHERE id = (SELECT max(id) FROM scan)", "is the last"),
        ("DELETE FROM scan WHERE id = (SELECT min(id) + 3 FROM scan)", "stands where"),
        ("UPDATE scan SET readings = zeroblob(length(readings)) WHERE id % 7 = 0", "is altered"),
        ("UPDATE scan SET boottime_ms = boottime_ms + 1 WHERE id % 9 = 0", "is altered"),
        ("INSERT INTO scan SELECT id + 1, layout, utc_ms, boottime_ms, synchronised, readings"
         " FROM scan ORDER BY id DESC LIMIT 1", "is altered"),
        ("DELETE FROM sealed WHERE id = 2", "stands where"),
        ("UPDATE sealed_readings SET readings = (SELECT readings FROM sealed_readings"
         " WHERE sealed = 1 AND probe = 2) WHERE sealed = 1 AND probe = 1", ""),
        ("DELETE FROM alarm_change WHERE id = 3", "alarm changes, not"),
        ("UPDATE cursor SET position = position - 1 WHERE name = 'witness'", "the cursor stands"),
    ],
)  # fmt: skip
def test_whatever_is_taken_from_a_record_is_missed(
    written: tuple[Path, int], tmp_path: Path, statement: str, says: str
) -> None:
    wrong = change(written, tmp_path, statement)
    assert wrong
    assert says in wrong[0]


def test_scans_written_without_waiting_for_the_disk_do_not_outlive_a_power_cut() -> None:
    outcome = powercut.campaign(seed=SEED, short=True, careless=True)
    assert outcome.lost > 0
    assert "was acknowledged" in outcome.says


@pytest.mark.parametrize(
    "campaign", [kill, full, failing, powercut, aside, service], ids=lambda m: m.__name__
)
def test_the_record_outlives_a_short_campaign(campaign: object) -> None:
    outcome = campaign.campaign(seed=SEED, short=True)  # type: ignore[attr-defined]
    assert outcome.lost == 0, outcome


@pytest.mark.parametrize("campaign", [broker, scripted], ids=lambda m: m.__name__)
def test_what_is_sent_outlives_a_short_campaign(campaign: object) -> None:
    outcome = campaign.campaign(seed=SEED, short=True)  # type: ignore[attr-defined]
    assert outcome.lost == 0, outcome


def test_a_database_that_forgets_is_found_short_where_nothing_is_sent_again() -> None:
    # When it is killed is chance: what it had not yet written may be nothing.
    tries = (database.campaign(seed=SEED + n, short=True, overlap=0) for n in range(5))
    assert any(outcome.lost > 0 for outcome in tries)


def test_a_reading_that_a_scripted_server_has_not_kept_is_missed(tmp_path: Path) -> None:
    rig = small_rig()
    with (
        Keeper(tmp_path, rig) as keeper,
        scripted.scripted_server(drawn_from(1)) as server,
    ):
        keeper.scans([{"T core": 20.0 + i, "C 30/60": 12.0} for i in range(3)])
        lines = [
            Lines(rig).line(reading)
            for scan in keeper.record.scans_after(0, limit=10)
            for reading in scan.readings
        ]
        server.keep(lines[:-1])
        assert len(scripted.missing_from(keeper.record, server)) == 1
        server.keep(lines[-1:])
        assert scripted.missing_from(keeper.record, server) == []


def test_a_message_that_a_subscriber_has_not_heard_is_missed(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([{"T core": 20.0 + i} for i in range(3)])
        topic = probe_topic("rigs/faults", "T core")
        heard = broker.expected(keeper.record)
        assert heard[topic] == ["1: 200.0", "2: 210.0", "3: 220.0"]
        assert broker.missing_from(keeper.record, heard) == []
        heard[topic] += heard[topic][:2]  # again
        assert broker.missing_from(keeper.record, heard) == []
        heard[topic] = ["1: 200.0", "3: 220.0", "2: 210.0"]
        assert broker.missing_from(keeper.record, heard) == [f"{topic}: heard in another order"]
        heard[topic] = ["1: 200.0", "3: 220.0"]
        assert broker.missing_from(keeper.record, heard) == [f"{topic}: '2: 210.0' was never heard"]


@pytest.mark.long
def test_all_that_happens_to_a_rig_in_some_weeks_is_told() -> None:
    outcome = water.campaign(seed=SEED, short=True)
    assert outcome.lost == 0, outcome


@pytest.mark.long
def test_a_pump_that_stops_unheard_is_missed() -> None:
    patient = '[[alarms]]\nwatch = "pump stopped"\non_delay = 86400\n'
    outcome = water.campaign(seed=SEED, short=True, more=patient)
    assert outcome.lost > 0
    assert "pump stop 2" in outcome.says.partition("false alarm")[0]


def counted(*numbers: int | None) -> list[Reading]:
    """Readings of a front end that counts; None is an answer that came too late."""
    return [
        Reading(
            "T1",
            number or 0,
            None if number is None else number / 1000,
            "Cel",
            None,
            None,
            Flag.PASS,
            Reason.NONE,
        )
        for number in numbers
    ]


@pytest.mark.parametrize(
    ("numbers", "kills", "lost"),
    [
        ((1, 2, 3, 4), 0, 0),
        ((1, None, 3, 4), 0, 0),
        ((1, 3, 4), 1, 0),
        ((1, 3, 4), 0, 1),
        ((1, 2, 3), 0, 1),
        ((1, 2, 2, 3, 4), 0, 1),
        ((2, 3, 4), 0, 1),
    ],
)
def test_an_answer_that_is_not_in_the_record_is_missed(
    numbers: tuple[int | None, ...], kills: int, lost: int
) -> None:
    assert len(service.holes(counted(*numbers), 4, kills=kills)) == lost


def test_a_campaign_that_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["weather"]) == 2
    assert capsys.readouterr().err.startswith("there is no campaign 'weather'; there are store, ")
