"""A real database, killed at random while a rig sends to it: it forgets what it acknowledged."""

import tempfile
from pathlib import Path

from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.sender import PROBES
from faults.sending import CATCHES_UP, Sending, come_to_rest, kill_at_random
from longsoak.forward.lines import MEASUREMENTS
from longsoak.store.reader import Record
from rigs import small_rig
from servers import TimeSeriesServer, free_port
from waiting import wait_for

SECONDS = 180.0
BACKLOG = 2400  # scans from the minute before: more than a batch

Points = dict[tuple[str, str, int], float]  # probe, field, UTC ms


def campaign(*, seed: int, short: bool, overlap: float = 60.0) -> Outcome:
    """Kill the database, and the process that sends; compare what it holds at the end.

    An `overlap` of 0 plants a loss: nothing is sent again after a new connection.
    """
    chance = drawn_from("database", seed)
    killed = restarted = 0
    with tempfile.TemporaryDirectory(prefix="longsoak-database-") as place:
        folder = Path(place) / "record"
        server = TimeSeriesServer(Path(place) / "database", port=free_port())
        server.start()
        sending = Sending(folder, {"url": server.url, "overlap": overlap}, backlog=BACKLOG)
        record = Record(folder)
        try:
            if short:  # what it has just acknowledged is lost with it
                wait_for(
                    lambda: server.count("temperature_raw", probe="T core") >= BACKLOG + 10,
                    what="the backlog, and more, to arrive",
                )
                server.kill()
                server.start()
                killed = 1
            else:
                killed, restarted = kill_at_random(server, sending, seconds=SECONDS, chance=chance)
            sending.write_no_more()
            patience = CATCHES_UP if overlap else 2.0
            missing = come_to_rest(lambda: missing_from(record, server), patience=patience)
            sent = len(recorded(record))
        finally:
            sending.kill()
            server.stop()
    return Outcome(
        "database",
        f"a database killed {killed} times and the process that sends {restarted} times at random, "
        f"while {sent} numbers were measured",
        len(missing),
        missing[0] if missing else "Each is there in the end with its time and its last digit",
    )


def recorded(record: Record) -> Points:
    """What the record holds, by probe, field and time."""
    found: Points = {}
    for scan in record.scans_after(0, limit=10_000_000):
        for reading in scan.readings:
            for field, number in (("raw", reading.raw), ("value", reading.value)):
                if number is not None:
                    found[reading.probe, field, reading.utc_ms] = number
    return found


def arrived(server: TimeSeriesServer) -> Points:
    """What the database holds; points sent more than once count once."""
    kinds = {probe.name: MEASUREMENTS[probe.kind] for probe in small_rig().probes}
    return {
        (probe, field, utc_ms): number
        for probe, _ in PROBES
        for field in ("raw", "value")
        for series in server.export(f"{kinds[probe]}_{field}", probe=probe)
        for utc_ms, number in series.points.items()
    }


def missing_from(record: Record, server: TimeSeriesServer) -> list[str]:
    try:
        there = arrived(server)
    except OSError as error:
        return [f"the database does not answer: {error}"]
    return [
        f"{field} of {probe} at {utc_ms} is {there.get((probe, field, utc_ms))}, not {number}"
        for (probe, field, utc_ms), number in recorded(record).items()
        if there.get((probe, field, utc_ms)) != number
    ]
