"""The forwarder against a real time-series server, killed and started again."""

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from longsoak.forward.database import DatabaseForwarder
from longsoak.forward.lines import MEASUREMENTS
from longsoak.store.reader import Record
from longsoak.vocabulary.destinations import Database
from longsoak.vocabulary.errors import ForwardError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Rig
from rigs import Keeper, small_rig
from servers import TimeSeriesServer, free_port, time_series_server
from waiting import wait_for

WRONG_TOKEN = "wrong"  # noqa: S105 - made up


def forwarder(
    record: Record,
    rig: Rig,
    url: str,
    *,
    overlap: float = 60.0,
    refused: list[str] | None = None,
    patience: float = 10.0,
) -> DatabaseForwarder:
    settings = Database(url=url, org="-", bucket="rig", token_file=None, overlap=overlap)
    return DatabaseForwarder(
        record,
        rig,
        settings,
        token=None,
        on_refused=(refused if refused is not None else []).append,
        patience=patience,
    )


def catch_up(outlet: DatabaseForwarder, position: int = 0) -> int:
    """What the service's thread does while all is well."""
    while (after := outlet.step(position)) != position:
        assert after > position
        position = after
    return position


def row(rig: Rig, number: int) -> Mapping[str, float | None]:
    return {probe.name: 10.0 + number % 50 + i for i, probe in enumerate(rig.probes)}


def arrived(server: TimeSeriesServer, rig: Rig, field: str) -> dict[tuple[str, int], float]:
    found = {}
    for measurement in MEASUREMENTS.values():
        for series in server.export(f"{measurement}_{field}", rig=rig.name):
            for utc_ms, value in series.points.items():
                found[series.labels["probe"], utc_ms] = value
    return found


def recorded(record: Record, field: str) -> dict[tuple[str, int], float]:
    return {
        (reading.probe, reading.utc_ms): getattr(reading, field)
        for scan in record.scans_after(0, limit=1_000_000)
        for reading in scan.readings
        if getattr(reading, field) is not None
    }


def missing(server: TimeSeriesServer, keeper: Keeper, rig: Rig) -> int:
    return len(recorded(keeper.record, "value").keys() - arrived(server, rig, "value").keys())


def test_every_reading_arrives_with_its_numbers(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([row(rig, i) for i in range(100)])
        keeper.scan({"C 30/60": None, "T core": 21.5})
        keeper.scan({"T core": 70.0}, flags={"T core": (Flag.SUSPECT, Reason.OUT_OF_RANGE)})
        outlet = forwarder(keeper.record, rig, server.url)
        assert catch_up(outlet) == 102
        outlet.close()

        for field in ("raw", "value", "uncertainty"):
            sent = arrived(server, rig, field)
            assert sent == pytest.approx(recorded(keeper.record, field))
            assert len(sent) == 100 * 8 + 2
        flags = arrived(server, rig, "flag")
        assert len(flags) == 100 * 8 + 3
        assert flags == recorded(keeper.record, "flag")
        assert server.count("level_litres", probe="water level") == 100


def test_scans_of_a_time_not_sure_are_told_as_such(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([{"T core": 20.0}] * 5)
        outlet = DatabaseForwarder(
            keeper.record,
            rig,
            Database(server.url, org="-", bucket="rig", token_file=None, overlap=60.0),
            token=None,
            on_refused=print,
            time_sure=lambda scan: scan > 3,
        )
        catch_up(outlet)
        outlet.close()
        assert server.count("temperature_value") == 5
        assert server.count("temperature_time_unsure") == 3


def test_batches_end_between_scans_and_the_cursor_only_rises(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([row(rig, i) for i in range(1500)])
        outlet = forwarder(keeper.record, rig, server.url)
        # Computed: 8 readings a scan, so a batch of 5000 readings is 625 scans.
        assert [outlet.step(0), outlet.step(625), outlet.step(1250)] == [625, 1250, 1500]
        outlet.close()
        assert missing(server, keeper, rig) == 0


def test_nothing_to_send_is_no_error_even_while_the_database_is_away(tmp_path: Path) -> None:
    rig = small_rig()
    with Keeper(tmp_path / "record", rig) as keeper:
        outlet = forwarder(keeper.record, rig, f"http://127.0.0.1:{free_port()}")
        assert outlet.step(0) == 0
        outlet.close()


def test_a_database_that_is_away_is_told_in_one_sentence(tmp_path: Path) -> None:
    rig = small_rig()
    url = f"http://127.0.0.1:{free_port()}"
    with Keeper(tmp_path / "record", rig) as keeper:
        keeper.scan(row(rig, 0))
        outlet = forwarder(keeper.record, rig, url)
        with pytest.raises(ForwardError) as error:
            outlet.step(0)
        assert str(error.value) == f"the database at {url} can't be reached: Connection refused"
        outlet.close()


def test_a_host_that_does_not_exist_is_told_by_name(tmp_path: Path) -> None:
    rig = small_rig()
    with Keeper(tmp_path / "record", rig) as keeper:
        keeper.scan(row(rig, 0))
        outlet = forwarder(keeper.record, rig, "http://no-such-host.invalid:8428")
        with pytest.raises(ForwardError, match=r"no-such-host\.invalid:8428 can't be reached: "):
            outlet.step(0)
        outlet.close()


def test_a_record_that_can_not_be_read_is_a_forward_error(tmp_path: Path) -> None:
    outlet = forwarder(Record(tmp_path), small_rig(), "http://127.0.0.1:1")
    with pytest.raises(ForwardError, match="there is no record at"):
        outlet.step(0)
    outlet.close()


def test_a_refused_token_is_told_with_where_to_look(tmp_path: Path) -> None:
    rig = small_rig()
    locked = ("-httpAuth.username=rig", "-httpAuth.password=secret")
    with (
        time_series_server(tmp_path / "db", arguments=locked) as server,
        Keeper(tmp_path / "record", rig) as keeper,
    ):
        keeper.scan(row(rig, 0))
        told: list[str] = []
        settings = Database(server.url, org="-", bucket="rig", token_file=None, overlap=60)
        outlet = DatabaseForwarder(
            keeper.record, rig, settings, token=WRONG_TOKEN, on_refused=told.append
        )
        with pytest.raises(ForwardError, match=r"refuses the token \(401 .*token_file"):
            outlet.step(0)
        outlet.close()


def test_readings_acknowledged_and_then_lost_by_a_crash_arrive_after_all(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([row(rig, i) for i in range(50)])
        outlet = forwarder(keeper.record, rig, server.url)
        position = catch_up(outlet)
        assert position == 50
        server.kill()

        # Measuring goes on, and the position only moves with what was accepted.
        keeper.scans([row(rig, i) for i in range(20)])
        with pytest.raises(ForwardError):
            outlet.step(position)

        server.start()
        lost = missing(server, keeper, rig)
        assert lost > 20 * 8, "the crash lost nothing of what was acknowledged: proves nothing"

        assert catch_up(outlet, position) == 70
        assert missing(server, keeper, rig) == 0
        outlet.close()


def test_a_crash_nobody_noticed_is_seen_by_the_connection_made_anew(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([row(rig, i) for i in range(50)])
        outlet = forwarder(keeper.record, rig, server.url)
        position = catch_up(outlet)
        server.kill()
        server.start()  # between two steps: no step ever fails
        assert missing(server, keeper, rig) == 50 * 8

        keeper.scan(row(rig, 50))
        assert outlet.step(position) == 51
        assert missing(server, keeper, rig) == 0
        outlet.close()


def test_a_crash_while_catching_up_loses_no_batch_however_old_its_readings(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        # 1900 scans a minute apart are more than a day, sent in a second: an overlap of 60 s of
        # readings alone would cover one scan.
        keeper.scans([row(rig, i) for i in range(1900)], after=60.0)
        outlet = forwarder(keeper.record, rig, server.url, overlap=60)
        position = outlet.step(outlet.step(0))
        server.kill()
        with pytest.raises(ForwardError):
            outlet.step(position)
        with pytest.raises(ForwardError):
            outlet.step(position)
        server.start()
        assert missing(server, keeper, rig) > position * 8 // 2

        catch_up(outlet, position)
        # A server that has just come up answers before it has looked at all it was sent.
        wait_for(lambda: missing(server, keeper, rig) == 0, what="all of it to be there")
        outlet.close()


def test_the_first_step_after_a_start_sends_the_overlap_again(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        keeper.scans([row(rig, i) for i in range(100)])
        outlet = forwarder(keeper.record, rig, server.url, overlap=30)
        assert outlet.step(100) == 100
        outlet.close()
        # The last 30 s before scan 100, the scan itself included.
        assert server.count("temperature_value") == 31


def test_a_whole_outage_with_a_kill_ends_with_every_reading_there(tmp_path: Path) -> None:
    rig = small_rig()
    with time_series_server(tmp_path / "db") as server, Keeper(tmp_path / "record", rig) as keeper:
        outlet = forwarder(keeper.record, rig, server.url)
        position = 0
        for turn in range(60):
            if turn in (15, 40):
                server.kill()
            if turn in (30, 41):
                server.start()
            keeper.scan(row(rig, turn))
            try:
                position = catch_up(outlet, position)
            except ForwardError:
                assert 15 <= turn < 41
        assert position == 60
        wait_for(lambda: missing(server, keeper, rig) == 0, what="every reading to be there")
        outlet.close()


def test_the_client_library_is_loaded_only_where_a_database_is_configured() -> None:
    code = (
        "import sys, longsoak.forward.database as d;"
        "assert d.DatabaseForwarder; print('influxdb_client' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
