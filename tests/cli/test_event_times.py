"""When alarms and events were, as `longsoak now` and `longsoak export` show it after 1970."""

import csv
import json
from math import nan
from pathlib import Path

from longsoak.core.wording import rfc3339
from longsoak.rigfile.load import read
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.reading import Scan
from processes import longsoak
from whole.thermorig import lay_out

NAMES = ("T0", "T1", "T2", "T3")
HOUR_MS = 3_600_000


def scan(base_ms: int, boottime_ms: int, *, known: bool) -> Scan:
    n = len(NAMES)
    return Scan(
        *("wood", base_ms + boottime_ms, boottime_ms, known, NAMES, ("Cel",) * n, (21.0,) * n),
        *((21.0,) * n, (nan,) * n, (Flag.PASS,) * n, (Reason.NONE,) * n),
    )


def begun(rig_file: Path) -> RecordWriter:
    """A boot in 1970 with a scan, an alarm and an event, 10 s, 20 s and 30 s after it began."""
    folder = folder_of(rig_file)
    writer = RecordWriter(folder, now="1970-01-01T00:00:01Z")
    writer.accept_rig(read(rig_file).text, utc_ms=1000)
    writer.begin_run(boot="boot", software="0", utc_ms=1000, boottime_ms=1000, synchronised=False)
    Inbox(folder).close()
    change = AlarmChange(
        "silent:T1", 20_000, 20_000, AlarmState.NORMAL, AlarmState.NEW, None, "no answer", None
    )
    writer.commit(Batch(scans=[scan(0, 10_000, known=False)]))
    writer.commit(Batch(changes=[change]))
    writer.commit(Batch(events=[Event(30_000, "bus", "wood", "open", 30_000)]))
    return writer


def test_the_alarms_of_a_boot_in_1970_are_doubted_until_the_clock_is_known(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    writer = begun(rig_file)
    assert (
        "(the clock was not known yet): no answer  [silent:T1]" in longsoak("now", rig_file).stdout
    )
    (alarm,) = json.loads(longsoak("now", rig_file, "--json").stdout)["alarms"]
    assert (alarm["since"], alarm["since_known"]) == ("1970-01-01T00:00:20.000Z", False)
    base = SystemClock().utc_ms() - HOUR_MS
    writer.commit(Batch(scans=[scan(base, HOUR_MS, known=True)]))
    writer.close()
    assert "1 h 00 ago: no answer  [silent:T1]" in longsoak("now", rig_file).stdout
    (alarm,) = json.loads(longsoak("now", rig_file, "--json").stdout)["alarms"]
    assert (alarm["since"], alarm["since_known"]) == (rfc3339(base + 20_000), True)


def test_an_export_gives_alarms_and_events_the_times_their_readings_have(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    base = 1_777_885_200_000  # 4 May 2026, 9 h
    writer = begun(rig_file)
    writer.commit(Batch(scans=[scan(base, HOUR_MS, known=True)]))
    writer.close()

    def times(out: Path, table: str) -> list[str]:
        with (out / table).open(encoding="utf-8-sig", newline="") as file:
            return sorted({row["time"] for row in csv.DictReader(file)})

    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    assert times(out, "readings.csv") == ["2026-05-04T09:00:10.000Z", "2026-05-04T10:00:00.000Z"]
    assert times(out, "alarms.csv") == ["2026-05-04T09:00:20.000Z"]
    assert times(out, "events.csv") == ["2026-05-04T09:00:30.000Z", "2026-05-04T10:00:00.000Z"]
    assert "and so were events and alarms" in " ".join((out / "README.txt").read_text().split())
    part = tmp_path / "part"
    since = "2026-05-04T09:00:25Z"
    assert longsoak("export", rig_file, part, "--from", since).returncode == 0
    assert times(part, "alarms.csv") == []
    assert times(part, "events.csv") == times(out, "events.csv")
