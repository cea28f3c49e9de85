"""`longsoak now`, run as a user runs it, over records kept by the shipped writer."""

import json
import os
import re
import signal
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from pinkinds import KINDS, WORDS, text_of
from processes import longsoak, running
from unprivileged import as_reader, modes, only_read
from waiting import wait_for
from whole.thermorig import lay_out, tray

GOOD = {"T0": 20.04, "T1": 21.0, "T2": 22.0, "T3": 23.0}
NEW, NORMAL = AlarmState.NEW, AlarmState.NORMAL


def picture(rig_file: Path) -> tuple[int, dict[str, object]]:
    ended = longsoak("now", rig_file, "--json")
    found: dict[str, object] = json.loads(ended.stdout)
    assert ended.stderr == ""
    return ended.returncode, found


def test_while_all_is_well_it_ends_with_0_and_says_so_to_programs(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        code, found = picture(rig_file)
    assert code == 0
    assert found["rig"] == "thermometers"
    assert found["invented"] is True
    assert found["recording"] is True
    age = found["last_scan_age_s"]
    assert isinstance(age, float)
    assert 1 <= age < 30
    assert (found["water"], found["alarms"], found["last_gap"]) == (None, [], None)
    assert found["cautions"] == []
    probes = found["probes"]
    assert isinstance(probes, list)
    assert [probe["probe"] for probe in probes] == list(GOOD)
    first = probes[0]
    assert {key: first[key] for key in first if key not in ("age_s", "at")} == {
        "probe": "T0",
        "kind": "temperature",
        "quantity": None,
        "value": pytest.approx(20.04),
        "value_words": "20.0",
        "bound": None,
        "unit": "Cel",
        "unit_words": "°C",
        "uncertainty": pytest.approx(0.2004),
        "flag": "pass",
        "reason": "",
        "raw": pytest.approx(200.4),
        "raw_unit": "Cel",
    }


def test_a_record_that_has_stopped_growing_ends_with_1_though_every_reading_is_good(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=300)
    code, found = picture(rig_file)
    assert code == 1
    assert found["recording"] is False
    words = longsoak("now", rig_file)
    assert words.returncode == 1
    assert words.stdout.count("pass") == 4
    assert words.stdout.endswith("\nNot recording: the last scan was taken 5 min ago.\n")


@pytest.mark.parametrize("missing", ["a value", "the probe"])
def test_a_probe_without_a_reading_is_said_to_have_none(tmp_path: Path, missing: str) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        values: dict[str, float | None] = {**GOOD, "T2": None}
        if missing == "the probe":
            del values["T2"]
        record.scan(values, ago=1)
        code, found = picture(rig_file)
        words = longsoak("now", rig_file)
    assert code == words.returncode == 1
    assert found["recording"] is True
    probes = found["probes"]
    assert isinstance(probes, list)
    assert {key: probes[2][key] for key in ("value", "value_words", "flag", "reason")} == {
        "value": None,
        "value_words": "none",
        "flag": "missing",
        "reason": "no answer" if missing == "a value" else "not read yet",
    }
    assert probes[2].keys() == probes[0].keys()
    assert f"missing: {probes[2]['reason']}" in words.stdout


def test_a_suspect_reading_and_a_standing_alarm_end_with_1_each(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=3, flags={"T1": (Flag.SUSPECT, Reason.OUT_OF_RANGE)})
        assert picture(rig_file)[0] == 1
        record.scan(GOOD, ago=2)
        assert picture(rig_file)[0] == 0
        record.change("silent:T1", NORMAL, NEW, ago=1, says="no answer")
        code, found = picture(rig_file)
        words = longsoak("now", rig_file)
    assert code == words.returncode == 1
    assert found["alarms"] == [
        {
            "alarm": "silent:T1",
            "title": "No reading, T1",
            "state": NEW.value,
            "hiding": None,
            "since": found["alarms"][0]["since"],  # type: ignore[index]  # a list of tables
            "since_known": True,
            "says": "no answer",
        }
    ]
    assert "no answer  [silent:T1]" in words.stdout


def test_the_water_is_told_with_its_volume_and_the_clearance_under_the_specimen(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path, more=tray(tmp_path))
    with kept(rig_file) as record:
        record.scan({**GOOD, "water level": 75.0}, ago=1)
        _, found = picture(rig_file)
        words = longsoak("now", rig_file)
        record.scan({"water level": None}, ago=0.5)
        unknown = longsoak("now", rig_file)
    # Half the depth table's 150 mm is half its 61.2 L; the underside is at 110 mm.
    assert found["water"] == {
        "level_mm": 75.0,
        "litres": pytest.approx(30.6),
        "clearance_mm": pytest.approx(35.0),
    }
    assert "Water: 75 mm, 30.6 L; clearance under the specimen 35 mm." in words.stdout
    assert "Water: level unknown." in unknown.stdout


def test_a_bound_is_no_number_and_has_no_uncertainty(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(text_of(("timber", "lime, wood", "board, own", "lime, dowel")))
    values = {"T wall": 20.0, "timber": 25.0, "lime, wood": 7.0, "board, own": 12.5}
    with kept(rig_file) as record:
        record.scan(
            {**values, "lime, dowel": None},
            ago=1,
            flags={
                "timber": (Flag.PASS, Reason.WETTER_THAN_CURVE),
                "lime, wood": (Flag.SUSPECT, Reason.OVER_RANGE),
                "board, own": (Flag.SUSPECT, Reason.STAND_IN_TEMPERATURE),
            },
        )
        _, found = picture(rig_file)
    probes = found["probes"]
    assert isinstance(probes, list)
    told = {
        p["probe"]: (p["value"], p["value_words"], p["bound"], p["uncertainty"]) for p in probes
    }
    assert told == {
        "T wall": (20.0, "20.0", None, pytest.approx(0.2)),
        "timber": (25.0, "> 25.0", "at least", None),
        "lime, wood": (7.0, "< 7.0", "at most", None),
        "board, own": (12.5, "12.5", None, pytest.approx(0.125)),
        "lime, dowel": (None, "none", None, None),
    }


def test_what_the_values_can_not_be_taken_for_is_said_to_people_and_programs(
    tmp_path: Path,
) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(text_of())
    with kept(rig_file) as record:
        record.scan(dict.fromkeys(("T wall", *KINDS), 10.0), ago=1)
        _, found = picture(rig_file)
        words = longsoak("now", rig_file).stdout
    cautions = found["cautions"]
    assert isinstance(cautions, list)
    assert len(cautions) == 4
    assert "salts and the alkali of lime and cement conduct" in cautions[0]
    assert words.splitlines()[-4:] == [f"Caution: {caution}" for caution in cautions]
    probes = found["probes"]
    assert isinstance(probes, list)
    assert {p["probe"]: p["unit_words"] for p in probes if p["kind"] == "pins"} == WORDS


def test_two_rig_files_in_one_folder_are_never_taken_for_one_another(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        other = tmp_path / "other.toml"
        other.write_text(rig_file.read_text().replace('"thermometers"', '"other wall"'))
        for command in (("now", other), ("ack", "--rig", other)):
            ended = longsoak(*command)
            assert ended.returncode == 2
            assert ended.stdout == ""
            assert ended.stderr == (
                f"{other}:3: rig.name is 'other wall', expected \"thermometers\", the rig whose "
                f"record lies in {tmp_path}/record. Keep each rig's file in a folder of its own. "
                "If it is the same rig, write that name back: a rig keeps its name for as long as "
                "its record.\n"
            )
        nameless = tmp_path / "notes.toml"
        nameless.write_text("[notes]\n")
        ended = longsoak("now", nameless)
        assert ended.returncode == 2
        assert 'rig.name is missing, expected "thermometers"' in ended.stderr


def test_a_rig_file_that_was_changed_since_or_has_mistakes_still_shows_its_record(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        rig_file.write_text(rig_file.read_text().replace("depth = 90", "depth = 900"))
        assert longsoak("now", rig_file).returncode == 0
        # Of a file that is no TOML nobody can say whose it is.
        rig_file.write_text("[rig\n" + rig_file.read_text())
        ended = longsoak("now", rig_file)
        assert ended.returncode == 2
        assert ended.stderr.startswith(f"{rig_file}:1: the line is [rig, expected a header")


def test_without_a_record_it_says_how_to_start_one(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    ended = longsoak("now", rig_file)
    assert ended.returncode == 1
    assert "there is no record at" in ended.stderr
    assert "Start `longsoak run`" in ended.stderr
    assert not (tmp_path / "record").exists()

    RecordWriter(tmp_path / "record", now="2026-05-04T09:00:00Z").close()
    ended = longsoak("now", rig_file)
    assert ended.returncode == 1
    assert ended.stderr == f"Nothing has been recorded in {tmp_path}/record yet.\n"

    with kept(rig_file):
        ended = longsoak("now", rig_file)
    assert ended.returncode == 1
    assert ended.stdout.count("missing: not read yet") == 4
    assert ended.stdout.endswith("\nNothing has been recorded yet.\n")


def test_somebody_who_may_only_read_sees_the_record_stopped_running_or_cut_off(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    log = tmp_path / "record" / "record.db-wal"
    with running(rig_file) as run:
        wait_for(lambda: longsoak("now", rig_file).returncode == 0, what="readings")
        with only_read(tmp_path):
            beside = as_reader("now", rig_file)
        assert beside.returncode == 0, beside.stderr
        assert beside.stdout.count("pass") == 4
        os.kill(run.process.pid, signal.SIGKILL)
        run.process.wait(10)
    assert log.stat().st_size > 0
    with only_read(tmp_path):
        cut_off = as_reader("now", rig_file)
    assert cut_off.stdout.count("pass") == 4, cut_off.stderr

    with running(rig_file) as run:
        run.says("recording thermometers")
        wait_for((log.parent / "reserve").exists, what="the reserve")
        assert run.stop() == 0
    assert not log.exists()
    for left in (None, b""):  # an empty log may be left behind, or copied along
        if left is not None:
            log.write_bytes(left)
        before = sorted(log.parent.iterdir())
        with only_read(tmp_path):
            stopped = as_reader("now", rig_file)
        assert sorted(log.parent.iterdir()) == before, "whoever reads leaves nothing"
        assert stopped.stdout.count("pass") == 4, stopped.stderr
        assert stopped.stderr == ""


def test_somebody_who_may_not_read_is_told_so_in_a_sentence(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
    with modes(tmp_path / "record", folders=0o000, files=0o600):
        ended = as_reader("now", rig_file)
    assert ended.returncode == 1
    assert ended.stderr == (
        f"this user may not look into {tmp_path}/record. Ask its owner for permission to read it, "
        "or look as the user who runs `longsoak run`.\n"
    )
    with modes(tmp_path / "record", folders=0o755, files=0o000):
        ended = as_reader("now", rig_file)
    assert ended.returncode == 1
    assert ended.stderr.count("\n") == 1
    assert "record.db can't be read" in ended.stderr


PUMP = """
[[probes]]
name = "drip rail"
kind = "flow"
runs_from = 0.4
per_unit = 0.1333
bus = "wood"
address = { channel = 140 }

[[probes]]
name = "pump"
kind = "pump current"
runs_from = 0.3
per_unit = 0.001
bus = "wood"
address = { channel = 141 }
"""


def test_flow_and_pump_current_are_told_to_a_hundredth_and_a_stopped_pump_in_words(
    tmp_path: Path,
) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(text_of(["timber"]) + PUMP)
    planned = longsoak("check", rig_file).stdout
    assert re.search(r"channel 140 +drip rail +L/min", planned)
    assert re.search(r"channel 141 +pump +A", planned)
    with kept(rig_file) as record:
        record.scan({"drip rail": 2.804, "pump": 0.02}, ago=1)
        record.change("pump stopped:pump", NORMAL, NEW, ago=1, says="0.02 A, runs from 0.3 A")
        ended = longsoak("now", rig_file)
        _, found = picture(rig_file)
    assert re.search(r"drip rail +2\.80 +L/min +0\.06 +pass .* 28\.04 Hz", ended.stdout)
    assert re.search(r"pump +0\.02 +A +0\.00 +pass", ended.stdout)
    assert "Alarm: Pump stopped, pump: new, not acknowledged" in ended.stdout
    assert ended.returncode == 1
    probes = found["probes"]
    assert isinstance(probes, list)
    units = {probe["probe"]: (probe["kind"], probe["unit"]) for probe in probes}
    assert units["drip rail"] == ("flow", "L/min")
    assert units["pump"] == ("pump current", "A")
