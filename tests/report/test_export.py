"""An export says what the record says, to whoever reads it and with whatever."""

import csv
import hashlib
import json
import shutil
import sqlite3
import subprocess
import tomllib
import zipfile
from contextlib import closing
from datetime import UTC, datetime
from math import inf, isnan
from pathlib import Path

import duckdb
import frictionless
import lark
import pandas as pd
import pyarrow.parquet as pq
import pytest
from ucumvert import get_ucum_parser

from longsoak.report.earlier import MANIFEST
from longsoak.report.export import Format, Wanted
from longsoak.report.fields import READINGS
from longsoak.report.tables import Range
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.rig import UNIT
from report.exportrig import (
    AWKWARD,
    HEAD,
    HOUR,
    MINUTE,
    PHOTO,
    RIG,
    START_MS,
    Kept,
    Made,
    bits,
    make,
    quietly,
    seal,
    single,
)
from rigs import UNITS, Keeper, small_rig


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("rig"))


@pytest.fixture(scope="module")
def out(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return quietly(made, tmp_path_factory.mktemp("out") / "export", Wanted(rig=RIG, photos=True))


@pytest.fixture(scope="module")
def parquet(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    wanted = Wanted(rig=RIG, form=Format.PARQUET)
    return quietly(made, tmp_path_factory.mktemp("out") / "parquet", wanted)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def found_wrong(package: Path) -> list[tuple[str, str]]:
    """What the reference implementation of the standard finds wrong."""
    report = frictionless.validate(str(package))
    return [(kind, note) for kind, note in report.flatten(["type", "note"])]


def test_the_standards_own_program_finds_nothing_wrong(out: Path) -> None:
    assert found_wrong(out / "datapackage.json") == []


def test_in_parquet_it_stumbles_only_over_a_whole_number_that_is_left_out(parquet: Path) -> None:
    # frictionless 5.21 reads Parquet by way of pandas, where a whole number can't be missing.
    report = frictionless.validate(str(parquet / "datapackage.json"))
    wrong = report.flatten(["type", "note", "fieldName"])
    assert wrong == 6 * [["type-error", 'type is "integer/default"', "corrects"]]  # of six entries


def test_it_finds_a_flag_that_is_none(out: Path, tmp_path: Path) -> None:
    shutil.copytree(out, tmp_path / "copy")
    readings = tmp_path / "copy" / "readings.csv"
    text = readings.read_text()
    assert ",%,3," in text
    readings.write_text(text.replace(",%,3,", ",%,7,", 1))
    wrong = found_wrong(tmp_path / "copy" / "datapackage.json")
    assert ("constraint-error", 'constraint "enum" is "[1, 2, 3, 4, 9]"') in wrong
    assert "hash-count" in [kind for kind, _ in wrong]


def test_it_finds_a_reading_of_a_probe_that_nothing_is_told_of(out: Path, tmp_path: Path) -> None:
    shutil.copytree(out, tmp_path / "copy")
    probes = tmp_path / "copy" / "probes.csv"
    kept = [line for line in probes.read_text().splitlines() if ",water level," not in line]
    probes.write_text("\n".join(kept) + "\n")
    wrong = [kind for kind, _ in found_wrong(tmp_path / "copy" / "datapackage.json")]
    assert "foreign-key" in wrong


def test_the_digests_are_checked_by_the_usual_program(out: Path, tmp_path: Path) -> None:
    def checked(folder: Path) -> int:
        return subprocess.run(["sha256sum", "-c", "--quiet", MANIFEST], cwd=folder).returncode

    assert checked(out) == 0
    listed = {line[66:] for line in (out / MANIFEST).read_text().splitlines()}
    there = {str(p.relative_to(out)) for p in out.rglob("*") if p.is_file()}
    assert there - listed == {MANIFEST}
    shutil.copytree(out, tmp_path / "copy")
    with (tmp_path / "copy" / "probes.csv").open("a") as file:
        file.write(" ")
    assert checked(tmp_path / "copy") == 1


def _same(kept: Kept, row: "pd.Series[object]", *, form: Format) -> None:
    probe = row["probe"]
    if form is Format.CSV:
        probe = str(probe).removeprefix("'")
    when = row["time"]
    assert isinstance(when, pd.Timestamp)
    assert (row["scan"], probe) == (kept.scan, kept.probe)
    assert row["raw_unit"] == kept.raw_unit or (kept.raw_unit == "" and pd.isna(row["raw_unit"]))
    assert when.value == kept.utc_ms * 1_000_000
    assert bits(float(str(row["raw"]))) == bits(kept.raw)
    assert (row["flag"], row["rig_version"]) == (kept.flag, kept.rig_version)
    assert row["reason"] == (kept.reason.words or None) or pd.isna(row["reason"])
    assert bits(float(str(row["value"]))) == bits(kept.value)
    spread = float(str(row["uncertainty"]))
    if isnan(kept.value) or kept.reason not in AT_LEAST | AT_MOST:
        assert pd.isna(row["bound"])
        assert bits(spread) == bits(kept.uncertainty)
    else:
        assert isnan(spread)


@pytest.mark.parametrize("form", Format)
def test_pandas_reads_back_every_reading_bit_for_bit(
    made: Made, out: Path, parquet: Path, form: Format
) -> None:
    if form is Format.CSV:
        read = pd.read_csv(
            out / "readings.csv",
            parse_dates=["time"],
            dtype={"value": "float32", "uncertainty": "float32"},
            keep_default_na=False,
            na_values=[""],
        )
        read["time"] = read["time"].dt.as_unit("ns")
    else:
        read = pd.read_parquet(parquet / "readings.parquet")
        read["time"] = read["time"].dt.as_unit("ns")
    assert list(read.columns) == [column.name for column in READINGS.columns]
    assert read["value"].dtype == "float32"
    assert read["raw"].dtype == "float64"
    assert len(read) == len(made.kept)
    for kept, (_, row) in zip(made.kept, read.iterrows(), strict=True):
        _same(kept, row, form=form)


@pytest.mark.parametrize("form", Format)
def test_duckdb_counts_and_adds_the_same(
    made: Made, out: Path, parquet: Path, form: Format
) -> None:
    file = (out if form is Format.CSV else parquet) / f"readings.{form}"
    with duckdb.connect() as db:
        read = db.read_csv(str(file)) if form is Format.CSV else db.read_parquet(str(file))
        readings = read.query(
            "readings",
            "SELECT probe, count(*), count(raw), min(raw), max(raw), min(epoch_ms(time)), sum(flag)"
            " FROM readings WHERE isfinite(coalesce(raw, 0)) GROUP BY probe",
        )
        assert readings is not None
        found = readings.fetchall()
    expected: dict[str, list[Kept]] = {}
    for kept in made.kept:
        if abs(kept.raw) != inf:
            expected.setdefault(kept.probe, []).append(kept)
    assert len(found) == len(expected)
    for probe, count, valued, least, most, first_ms, flags in found:
        own = expected[probe.removeprefix("'") if form is Format.CSV else probe]
        raws = [kept.raw for kept in own if not isnan(kept.raw)]
        assert (count, valued) == (len(own), len(raws))
        assert (least, most) == (min(raws), max(raws))
        assert first_ms == min(kept.utc_ms for kept in own)
        assert flags == sum(kept.flag for kept in own)


def test_a_bound_is_told_as_one_and_has_no_uncertainty(out: Path) -> None:
    told = {
        (row["reason"], row["bound"]): row["uncertainty"]
        for row in rows(out / "readings.csv")
        if row["probe"] == "C 30/60"
    }
    assert told["wetter than the curve reaches, perhaps near saturation", "at_least"] == ""
    assert told["drier than the curve reaches", "at_most"] == ""
    assert told["short circuit, or soaked", "at_least"] == ""
    spread = float(told["corrected with a stand-in temperature", ""])
    assert single(spread) == 17.8125 / 64
    assert ("short circuit, or soaked", "") in told  # nothing was converted: nothing is bound


def test_times_are_those_of_the_record_and_say_how_they_are_known(made: Made, out: Path) -> None:
    written = rows(out / "readings.csv")
    everything = Record(made.folder).series("=1+2", since_ms=0, until_ms=2**60)
    own = [row for row in written if row["probe"] == "'=1+2"]
    assert [_ms(row["time"]) for row in own] == [reading.utc_ms for reading in everything]
    assert {row["time_known"] for row in own[:8]} == {"placed"}
    assert {row["time_known"] for row in own[8:]} == {"clock"}


def _ms(time: str) -> int:
    return round(datetime.fromisoformat(time).timestamp() * 1000)


def test_sealing_older_scans_changes_nothing(tmp_path: Path) -> None:
    made = make(tmp_path / "rig")
    before = quietly(made, tmp_path / "before")
    left = seal(made)
    assert 0 < left < made.kept[-1].scan
    after = quietly(made, tmp_path / "after")
    assert _all_bytes(before) == _all_bytes(after)


@pytest.mark.parametrize("form", Format)
def test_the_same_record_gives_the_same_bytes(made: Made, tmp_path: Path, form: Format) -> None:
    wanted = Wanted(rig=RIG, form=form, photos=True)
    first, second = (quietly(made, tmp_path / name, wanted) for name in ("one", "two"))
    assert _all_bytes(first) == _all_bytes(second)
    zipped = Wanted(rig=RIG, form=form, photos=True, as_zip=True)
    one, two = (quietly(made, tmp_path / f"{name}.zip", zipped) for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()
    with zipfile.ZipFile(one) as opened:
        assert opened.testzip() is None
        assert {entry.date_time for entry in opened.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {n: opened.read(n) for n in opened.namelist()} == _all_bytes(first)


def test_a_zip_file_is_a_package_of_its_own(made: Made, tmp_path: Path) -> None:
    zipped = quietly(made, tmp_path / "export.zip", Wanted(rig=RIG, as_zip=True))
    assert found_wrong(zipped) == []


def _all_bytes(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_parquet_is_typed_and_its_columns_say_what_they_are(parquet: Path, out: Path) -> None:
    schema = pq.read_schema(parquet / "readings.parquet")
    assert {name: str(schema.field(name).type) for name in ("time", "raw", "value", "flag")} == {
        "time": "timestamp[ms, tz=UTC]",
        "raw": "double",
        "value": "float",
        "flag": "int64",
    }
    for column in READINGS.columns:
        assert schema.field(column.name).metadata[b"description"].decode() == column.says
    depth = pq.read_schema(parquet / "probes.parquet").field("depth_mm")
    assert depth.metadata[b"unit"] == b"mm"
    described = json.loads(schema.metadata[b"table_schema"])
    packages = [json.loads((p / "datapackage.json").read_text()) for p in (parquet, out)]
    for package in packages:
        assert package["resources"][0]["schema"] == described
    assert frictionless.Package.from_descriptor(str(parquet / "datapackage.json")).resources


@pytest.mark.parametrize(
    "table",
    [
        *("probes", "rig_versions", "events", "alarms", "gaps", "proof", "logbook"),
        *("hand_flags", "hand_readings", "meter_checks", "observations", "phases", "findings"),
        "suspicions",
    ],
)
def test_smaller_tables_are_the_same_in_both_formats(out: Path, parquet: Path, table: str) -> None:
    def texts(cell: object) -> str:
        if isinstance(cell, datetime):
            return f"{cell.astimezone(UTC):%Y-%m-%dT%H:%M:%S}.{cell.microsecond // 1000:03d}Z"
        if isinstance(cell, bool):
            return str(cell).lower()
        return "" if cell is None else str(cell)

    in_csv = [
        {name: cell.removeprefix("'") for name, cell in row.items()}
        for row in rows(out / f"{table}.csv")
    ]
    typed = pq.read_table(parquet / f"{table}.parquet").to_pylist()
    assert in_csv == [{name: texts(cell) for name, cell in row.items()} for row in typed]
    assert in_csv != []


def test_no_cell_is_taken_for_a_formula(out: Path) -> None:
    seen = set()
    for path in out.glob("*.csv"):
        package = json.loads((out / "datapackage.json").read_text())
        (found,) = [r for r in package["resources"] if r["path"] == path.name]
        types = {field["name"]: field["type"] for field in found["schema"]["fields"]}
        for row in rows(path):
            for name, text in row.items():
                if types[name] != "number":
                    assert not text.startswith(("=", "+", "-", "@")), (path.name, name, text)
                    seen.add(text)
    assert {f"'{name}" for name in AWKWARD if name[0] in "=+-@'"} <= seen
    assert {name for name in AWKWARD if name[0] not in "=+-@'"} <= seen


def test_what_people_wrote_reads_back_as_they_wrote_it(out: Path) -> None:
    entry, _flag, _by_hand, _begins, _on_block, _seen = rows(out / "logbook.csv")
    assert entry["says"] == "'=cmd|' /C calc'!A0\nsecond line, \"quoted\""
    assert (entry["by"], entry["about"], entry["subject"]) == ("'@AB", "probe", "'=1+2")
    (step,) = rows(out / "proof.csv")
    assert step["says"] == '\'+ drilled, "twice"'
    assert json.loads(step["content"])["depth_measured"] == 30.5


def test_a_probe_is_told_as_each_version_of_the_rig_file_had_it(out: Path) -> None:
    told = {
        row["rig_version"]: (row["depth_mm"], row["across_mm"], row["quantity"], row["unit"])
        for row in rows(out / "probes.csv")
        if row["name"] == "C 30/60"
    }
    assert told == {
        "1": ("30.0", "250.0", "wood-equivalent", "%"),
        "2": ("32.0", "300.0", "wood-equivalent", "%"),
    }
    for version in rows(out / "rig_versions.csv"):
        text = (out / version["rig_file"]).read_bytes()
        assert hashlib.sha256(text).hexdigest() == version["sha256"]
        curves = tomllib.loads((out / version["curves_file"]).read_text())["curves"]
        assert set(curves) == {"Douglas-fir (coast)", "my fir"}
    assert f"depth = {32}" in text.decode()


def test_photos_that_are_named_are_in_it_and_lost_ones_are_told(out: Path) -> None:
    package = json.loads((out / "datapackage.json").read_text())
    (photo,) = out.glob("photos/*")
    assert photo.read_bytes() == PHOTO
    assert package["longsoak"]["photos_lost"] == ["f" * 64]
    assert "Not there any more: 1 photo" in (out / "README.txt").read_text()


def test_the_root_of_the_last_closed_day_is_in_it(out: Path) -> None:
    package = json.loads((out / "datapackage.json").read_text())
    assert package["longsoak"]["last_closed_day"] == {
        "day": "2026-05-03",
        "entries": 7,
        "root": HEAD.root,
    }
    text = " ".join((out / "README.txt").read_text().split())
    assert f"`longsoak audit rig.toml --root {HEAD.root} --date 2026-05-03`" in text


def test_every_unit_is_a_ucum_code(out: Path) -> None:
    # ucumvert 0.3 reads UCUM 2.1 by its own grammar.
    units = {row[name] for row in rows(out / "readings.csv") for name in ("unit", "raw_unit")}
    units |= {row["unit"] for row in rows(out / "alarms.csv")} | set(UNIT.values())
    units |= set(UNITS.values())
    package = json.loads((out / "datapackage.json").read_text())
    fields = [f for r in package["resources"] if "schema" in r for f in r["schema"]["fields"]]
    units |= {field["unit"] for field in fields if "unit" in field}
    assert {"%", "Ohm", "Cel", "mm", "s", "kOhm", "mV", "L/min", "1"} <= units
    parser = get_ucum_parser()
    for unit in units - {""}:  # of an alarm on silence, which has no value
        parser.parse(unit)
    for wrong in ("degC", "ohms", "sec"):
        with pytest.raises(lark.exceptions.LarkError):
            parser.parse(wrong)


def test_a_number_without_a_unit_says_which_column_has_it(out: Path) -> None:
    package = json.loads((out / "datapackage.json").read_text())
    for resource in package["resources"]:
        names = {field["name"] for field in resource.get("schema", {}).get("fields", [])}
        for field in resource.get("schema", {}).get("fields", []):
            if field["type"] == "number":
                assert "unit" in field or field["unit_column"] in names, field


def test_the_readme_tells_every_column_and_that_all_is_invented(out: Path) -> None:
    text = (out / "README.txt").read_text()
    package = json.loads((out / "datapackage.json").read_text())
    for resource in package["resources"]:
        for field in resource.get("schema", {}).get("fields", []):
            assert f"- {field['name']}: " in text
    assert "All data in here is invented" in text
    assert package["longsoak"]["invented"] is True
    assert package["description"].startswith("All data in here is invented")
    assert max(map(len, text.splitlines())) <= 78


@pytest.mark.parametrize("form", Format)
def test_a_part_is_what_a_plain_filter_gives(made: Made, tmp_path: Path, form: Format) -> None:
    since, until = START_MS + HOUR + MINUTE, START_MS + 3 * HOUR + 10 * MINUTE
    wanted = Wanted(
        rig=RIG,
        probes=frozenset({"water level", "P 30/60", "=1+2"}),
        within=Range(since, until),
        form=form,
    )
    part = quietly(made, tmp_path / "part", wanted)
    expected = [
        (kept.scan, kept.probe)
        for kept in made.of("water level", "P 30/60", "=1+2")
        if since <= kept.utc_ms < until
    ]
    if form is Format.CSV:
        assert found_wrong(part / "datapackage.json") == []
        read = [(int(row["scan"]), row["probe"]) for row in rows(part / "readings.csv")]
        assert [row["says"] for row in rows(part / "events.csv")] == ["went\naway"]
        assert [row["alarm"] for row in rows(part / "alarms.csv")] == ["overfill: water level"]
        assert len(rows(part / "gaps.csv")) == 1
    else:
        typed = pq.read_table(part / "readings.parquet").to_pylist()
        read = [(row["scan"], row["probe"]) for row in typed]
    assert read == expected
    assert "Only a part of the record was asked for" in (part / "README.txt").read_text()


@pytest.mark.parametrize("form", Format)
def test_a_time_without_readings_gives_empty_tables_that_are_valid(
    made: Made, tmp_path: Path, form: Format
) -> None:
    wanted = Wanted(rig=RIG, within=Range(0, 1), form=form)
    empty = quietly(made, tmp_path / "empty", wanted)
    if form is Format.CSV:
        assert found_wrong(empty / "datapackage.json") == []
        for table in ("readings", "events", "alarms", "gaps"):
            assert rows(empty / f"{table}.csv") == []
    else:
        assert pq.read_table(empty / "readings.parquet").num_rows == 0


def test_a_rig_file_that_is_no_longer_taken_still_tells_that_all_is_invented(
    tmp_path: Path,
) -> None:
    made = Made(tmp_path / "rig.toml", tmp_path / "record")
    with Keeper(made.folder, small_rig()) as keeper:
        text = '[rig]\nname = "old"\ninvented = true\n[no_such_table]\n'
        keeper.writer.accept_rig(text, utc_ms=START_MS)
        wet = {"C 10/60": (Flag.PASS, Reason.WETTER_THAN_CURVE)}
        keeper.scan({"C 10/60": 25.0, "T core": 12.0}, flags=wet)
    out = quietly(made, tmp_path / "out", Wanted(rig="old"))
    assert found_wrong(out / "datapackage.json") == []
    pins, warm = rows(out / "readings.csv")
    assert (pins["value"], pins["bound"], pins["unit"]) == ("25", "at_least", "")
    assert (warm["value"], warm["bound"]) == ("12", "")
    assert json.loads((out / "datapackage.json").read_text())["longsoak"]["invented"] is True


def test_a_record_of_an_earlier_version_is_exported_too(tmp_path: Path) -> None:
    kept = Path(__file__).parents[1] / "store" / "kept"
    versions = sorted(path.name for path in kept.iterdir() if path.is_dir())
    assert len(versions) > 2
    for version in versions:
        shutil.copytree(kept / version, tmp_path / version)
        made = Made(tmp_path / "rig.toml", tmp_path / version)
        out = quietly(made, tmp_path / f"out {version}")
        assert found_wrong(out / "datapackage.json") == []
        assert len(rows(out / "readings.csv")) > 0


def test_a_flag_that_is_none_stops_it_in_one_sentence(made: Made, tmp_path: Path) -> None:
    shutil.copytree(made.folder, tmp_path / "record")
    with closing(sqlite3.connect(tmp_path / "record" / "record.db")) as db:
        ((last, row),) = db.execute("SELECT id, readings FROM scan ORDER BY id DESC LIMIT 1")
        n = len(row) // 18
        broken = row[: 16 * n] + bytes([7]) + row[16 * n + 1 :]
        db.execute("UPDATE scan SET readings = ? WHERE id = ?", (broken, last))
        db.commit()
    damaged = Made(tmp_path / "rig.toml", tmp_path / "record")
    for form in Format:
        with pytest.raises(StoreError, match="is damaged: 7 is not a valid Flag"):
            quietly(damaged, tmp_path / "out", Wanted(rig=RIG, form=form))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["record"]


def test_what_was_seen_has_a_table_of_its_own(out: Path) -> None:
    (seen,) = rows(out / "observations.csv")
    assert seen == {
        "number": "6",
        "time": "2026-05-04T10:00:00.000Z",
        "bay": "cork-lime",
        "face": "dry",
        "depth_mm": "",
        "height_from_mm": "0.0",
        "height_to_mm": "120.0",
        "of": "salt bloom",
        "scale": "plain words",
        "grade": "2",
        "highest": "4",
        "word": "slight",
        "extent": "5.0",
        "looked": "by eye",
        "by": "'@AB",
        "says": "'=white fur",
        "photos": seen["photos"],
    }
    assert json.loads(seen["photos"])


def test_readings_by_hand_and_phases_have_tables_of_their_own(out: Path) -> None:
    (read,) = rows(out / "hand_readings.csv")
    assert read == {
        "number": "3",
        "time": "2026-05-04T10:00:00.000Z",
        "round": "'=1",
        "bay": "cork-lime",
        "depth_mm": "30.0",
        "height_mm": "60.5",
        "across_mm": "300.0",
        "value": "28.0",
        "unit": "%",
        "bound": "at_least",
        "uncertainty": "0.5",
        "meter": "'@meter",
        "scale": "'+spruce",
        "correction_temperature": "",
        "wood_temperature": "",
        "grain": "",
        "pins": "",
        "same_hole": "false",
        "by": "'@AB",
        "note": "'-damp\nat the head",
    }
    (check,) = rows(out / "meter_checks.csv")
    assert check == {
        "number": "5",
        "time": "2026-05-04T10:00:00.000Z",
        "round": "'=1",
        "meter": "'@meter",
        "when": "before",
        "nominal": "18.0",
        "shown": "60.0",
        "bound": "at_least",
        "unit": "%",
        "by": "'@AB",
    }
    (phase,) = rows(out / "phases.csv")
    assert phase == {
        "number": "4",
        "phase": "wetting",
        "name": "'+first",
        "control": "cork-lime",
        "from_time": "2026-05-04T10:00:00.000Z",
        "until_time": "",
        "by": "'@AB",
        "says": "'=why",
    }
