"""What `longsoak now` says of outlets, over records kept by the shipped writer."""

import json
from pathlib import Path

import pytest

from cli.keeping import Kept, kept
from longsoak.service.clock import SystemClock
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.happening import Event
from processes import longsoak
from whole.thermorig import lay_out

GOOD = {"T0": 20.0, "T1": 21.0, "T2": 22.0, "T3": 23.0}
NORMAL, NEW, GONE = AlarmState.NORMAL, AlarmState.NEW, AlarmState.GONE
OUTLETS = """
[notices.mail]
host = "127.0.0.1"
from = "rig@example.org"
to = ["keeper@example.org"]

[notices.mqtt]
host = "127.0.0.1"
prefix = "rig"

[forward.mqtt]

[forward.database]
url = "http://127.0.0.1:1"
bucket = "rig"
"""


@pytest.fixture
def rig_file(tmp_path: Path) -> Path:
    return lay_out(tmp_path, more=OUTLETS)


def sent(record: Kept, **positions: int) -> None:
    record.writer.commit(Batch(cursors={name: (at, 0) for name, at in positions.items()}))


def told(rig_file: Path) -> tuple[list[dict[str, object]], list[str]]:
    """The outlets as JSON, and their lines."""
    lines = longsoak("now", rig_file).stdout.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Mail: "))
    found = json.loads(longsoak("now", rig_file, "--json").stdout)["outlets"]
    return found, lines[start : start + 4]


def test_outlets_that_have_sent_everything_are_well(rig_file: Path) -> None:
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        sent(record, readings=1, database=1)
        found, lines = told(rig_file)
    assert found == [
        {
            "outlet": name,
            "well": True,
            "says": None,
            "unsent": 0,
            "unsent_of": of,
            "oldest_unsent_age_s": None,
            "held_back": False,
            "away_since": None,
            "last_taken": None,
            "quiet": False,
        }
        for name, of in (
            ("mail", "changes of alarms"),
            ("mqtt", "changes of alarms"),
            ("readings", "scans"),
            ("database", "scans"),
        )
    ]
    assert lines == [
        "Mail: well; nothing waits.",
        "Alarms by MQTT: well; nothing waits.",
        "Readings by MQTT: well; nothing waits.",
        "Database: well; nothing waits.",
    ]


def test_an_outlet_that_is_away_tells_why_and_what_waits_since_when(rig_file: Path) -> None:
    with kept(rig_file) as record:
        for ago in (3600, 1800, 60):
            record.scan(GOOD, ago=ago)
        record.change("silent:T0", NORMAL, NEW, ago=7200, says="no answer")
        record.change("outlet away:database", NORMAL, NEW, ago=600, says="the database is gone")
        sent(record, readings=2, database=0, mail=2, mqtt=0)
        found, lines = told(rig_file)
    assert lines == [
        "Mail: well; nothing waits.",
        "Alarms by MQTT: well; 2 changes of alarms unsent, the oldest 2 h 00 ago.",
        "Readings by MQTT: well; up to date, as far as is known of the last two minutes.",
        "Database: away for 10 min (the database is gone); "
        "3 scans unsent, the oldest taken 1 h 00 ago.",
    ]
    assert [(o["well"], o["unsent"]) for o in found] == [
        (True, 0), (True, 2), (True, 1), (False, 3),
    ]  # fmt: skip
    age = found[3]["oldest_unsent_age_s"]
    assert isinstance(age, float)
    assert 3600 <= age < 3660


def test_readings_are_away_with_the_connection_they_share(rig_file: Path) -> None:
    with kept(rig_file) as record:
        record.scan(GOOD, ago=3600)
        record.change("outlet away:mqtt", NORMAL, NEW, ago=600, says="no broker")
        found, lines = told(rig_file)
    assert [outlet["well"] for outlet in found] == [True, False, False, True]
    assert lines[2] == (
        "Readings by MQTT: away for 10 min (no broker); 1 scan unsent, the oldest taken 1 h 00 ago."
    )


def test_an_outlet_that_was_away_is_well_again(rig_file: Path) -> None:
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        record.change("outlet away:mail", NORMAL, NEW, ago=600, says="refused")
        record.change("outlet away:mail", NEW, GONE, ago=60, says="takes what is sent")
        _, lines = told(rig_file)
    assert lines[0].startswith("Mail: well; ")


def test_a_way_to_a_person_tells_what_it_took_and_that_quiet_hours_hold_some_back(
    tmp_path: Path,
) -> None:
    more = '\n[[people]]\nname = "mk"\nmail = "mk@example.org"\nquiet = ["22:00", "07:00"]\n'
    rig_file = lay_out(tmp_path, more=OUTLETS + more)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        record.change("silent:T0", NORMAL, NEW, ago=600, says="no answer")
        at = SystemClock().utc_ms() - 300_000
        happened = [
            Event(at, "notice", "mail to mk", "taken: thermometers: over: T1", None),
            Event(at, "outlet", "mail", "the mail server failed", None),
        ]
        cursors = dict.fromkeys(("mail", "mail to mk", "mail to mk, held back"), (1, 0))
        record.writer.commit(Batch(events=happened, cursors=cursors))
        lines = longsoak("now", rig_file).stdout.splitlines()
    assert (
        "Mail to mk: well; nothing waits; quiet hours hold some back; "
        "took the last notice 5 min ago." in lines
    )
    # Its alarm comes after a minute; since when it is away is known before.
    assert "Mail: away for 5 min (the mail server failed); nothing waits." in lines


def test_readings_that_are_away_are_not_called_up_to_date(rig_file: Path) -> None:
    with kept(rig_file) as record:
        record.scan(GOOD, ago=60)
        record.change("outlet away:mqtt", NORMAL, NEW, ago=51, says="no broker")
        _, lines = told(rig_file)
    assert lines[2] == (
        "Readings by MQTT: away for 51 s (no broker); nothing older than two minutes waits yet."
    )
