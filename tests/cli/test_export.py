"""`longsoak export`, run as a user runs it."""

import csv
import json
import subprocess
import sys
from pathlib import Path

import frictionless
import pytest

from longsoak.cli.export import export
from longsoak.store.reader import Record
from processes import longsoak, running
from report.exportrig import RIG, Made, make
from unprivileged import as_reader, only_read
from waiting import wait_for
from whole.thermorig import lay_out


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("rig"))


def test_it_says_what_it_wrote_and_how_to_check_it(made: Made, tmp_path: Path) -> None:
    out = tmp_path / "out"
    ended = longsoak("export", made.rig_file, out)
    assert ended.returncode == 0
    assert ended.stderr == ""
    first, invented, check, publish = ended.stdout.splitlines()
    assert first.startswith(f"{out}: {len(made.kept)} readings of 11 probes, from 2026-05-04T")
    assert invented == "All data invented, as the rig file says."
    assert publish.startswith("Look through rig files and logbook before you publish them")
    line = check.removeprefix("Check the files: ")
    checked = subprocess.run(["sh", "-c", line], capture_output=True, check=True)
    assert checked.stdout.count(b": OK\n") == len(list(out.rglob("*.*")))


def test_it_says_the_same_to_programs(made: Made, tmp_path: Path) -> None:
    out = tmp_path / "out.zip"
    ended = longsoak("export", made.rig_file, out, "--zip", "--json", "--probe", "water level")
    said = json.loads(ended.stdout)
    assert (said["rig"], said["readings"], said["probes"]) == (
        RIG,
        len(made.of("water level")),
        1,
    )
    assert said["wanted"] == {"probes": "water level"}
    assert frictionless.validate(str(out)).valid


def test_a_photo_that_was_lost_is_told(made: Made, tmp_path: Path) -> None:
    ended = longsoak("export", made.rig_file, tmp_path / "out", "--photos")
    assert ended.returncode == 1
    assert ended.stderr == f"A photo that is named is not there any more: {'f' * 64}.\n"
    assert len(list((tmp_path / "out" / "photos").iterdir())) == 1


def test_a_time_without_readings_ends_with_1(made: Made, tmp_path: Path) -> None:
    ended = longsoak("export", made.rig_file, tmp_path / "out", "--from", "2030-01-01")
    assert ended.returncode == 1
    assert ": 0 readings of " in ended.stdout
    assert ended.stderr == (
        "There is no reading from 1 Jan 2030, 00:00:00 UTC on: the record's reach from "
        "4 May 2026, 09:00:00 UTC to 4 May 2026, 12:40:00 UTC. What was written holds all else.\n"
    )


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--from", "4 May"], "--from: '4 May' is no time, expected 2026-05-04"),
        (["--from", "2026-05-05", "--until", "2026-05-05"], "--from is not before --until."),
        (["--zip"], "out does not end in .zip. Write "),
        (["--probe", "water levl"], "no readings of a probe 'water levl'. Did you mean"),
        (["--format", "xls"], "'csv', 'parquet'"),
    ],
)
def test_bad_input_is_told_and_leaves_nothing(
    made: Made,
    tmp_path: Path,
    options: list[str],
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        export.main([str(made.rig_file), str(tmp_path / "out"), *options])
    assert ended.value.code == 2
    assert says in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_without_a_record_or_with_an_empty_one_it_says_so(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    ended = longsoak("export", rig_file, tmp_path / "out")
    assert (ended.returncode, ended.stdout) == (1, "")
    assert "there is no record at" in ended.stderr
    assert not (tmp_path / "out").exists()


def test_without_pyarrow_it_says_how_to_install_it(made: Made, tmp_path: Path) -> None:
    program = (
        "import sys\nsys.modules['pyarrow'] = None\n"
        "from longsoak.cli.main import main\nsys.argv[0] = 'longsoak'\nmain()"
    )
    ended = subprocess.run(
        [sys.executable, "-c", program, "export", made.rig_file, tmp_path / "out", "--format",
         "parquet"],
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert ended.returncode == 2
    assert ended.stderr == (
        "Parquet needs pyarrow, which is not installed. Install it with `pip install "
        "'longsoak[parquet]'`, or leave --format parquet out.\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_who_may_only_read_the_record_can_export_it(made: Made, tmp_path: Path) -> None:
    with only_read(made.rig_file.parent):
        ended = as_reader("export", made.rig_file, tmp_path / "out")
        assert ended.returncode == 0
        refused = as_reader("export", made.rig_file, made.rig_file.parent / "out")
    assert refused.returncode == 2
    assert refused.stderr.startswith(f"{made.rig_file.parent / 'out'} can't be written: Permission")


def test_a_rig_that_is_recording_is_exported_as_it_was_at_one_moment(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    record = Record(tmp_path / "record")
    with running(rig_file) as run:
        run.says("recording")
        wait_for(lambda: record.version()[0] >= 5, what="five scans")
        top = record.version()[0]
        ended = longsoak("export", rig_file, tmp_path / "out")
        wait_for(lambda: record.version()[0] > top + 5, what="more scans")
        assert run.stop() == 0
    assert ended.returncode == 0
    assert frictionless.validate(str(tmp_path / "out" / "datapackage.json")).valid
    with (tmp_path / "out" / "readings.csv").open(newline="") as file:
        scans = [int(row["scan"]) for row in csv.DictReader(file)]
    assert top <= max(scans) < record.version()[0]
    assert sorted(set(scans)) == list(range(1, max(scans) + 1))


def test_a_bar_shows_only_where_it_takes_long(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for patience, shown in ((60.0, False), (-1.0, True)):
        monkeypatch.setattr("longsoak.cli.progress._SHOWN_AFTER", patience)
        with pytest.raises(SystemExit):
            export.main([str(made.rig_file), str(tmp_path / "out")])
        assert ("Writing" in capsys.readouterr().err) is shown
