"""`longsoak bands`, run as a user runs it."""

from math import pi, sin
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.rigfile.load import load
from longsoak.vocabulary.rig import Band
from processes import longsoak
from whole.thermorig import lay_out

HOUR = 3600.0
NAMES = ("T0", "T1", "T2", "T3")


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten days of four thermometers, of which one hardly moves."""
    rig_file = lay_out(tmp_path_factory.mktemp("bands"))
    with kept(rig_file) as record:
        for hour in range(240, 0, -1):
            wave = sin(2 * pi * hour / 24)
            values = {name: 20 + (0.1 if name == "T3" else 4) * wave for name in NAMES}
            record.scan(values, ago=hour * HOUR)
    return rig_file


def test_what_is_proposed_can_be_put_into_the_rig_file_and_was_not_applied(rig_file: Path) -> None:
    told = longsoak("bands", rig_file)
    assert (told.returncode, told.stderr) == (0, "")
    assert "nothing was applied" in told.stdout
    assert load(rig_file, find_kind=None).bands == ()
    with_bands = rig_file.with_name("with-bands.toml")
    with_bands.write_text(rig_file.read_text() + "\n" + told.stdout)
    bands = load(with_bands, find_kind=None).bands
    assert bands[0] == Band("T0", low=12.0, high=28.0, moves=2.0)
    assert bands[3] == Band("T3", low=19.14, high=20.86, moves=0.05)
    assert [band.probe for band in bands] == list(NAMES)


def test_one_probe_and_fewer_days(rig_file: Path) -> None:
    told = longsoak("bands", rig_file, "--probe", "T3", "--days", "7")
    assert "# Proposed from 7 days, " in told.stdout
    assert told.stdout.count("[[bands]]") == 1
    unknown = longsoak("bands", rig_file, "--probe", "T9")
    assert "There is no probe 'T9' on this rig." in unknown.stderr


def test_too_few_days_are_told(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        for hour in range(72, 0, -1):
            record.scan({"T0": 20.0 + hour % 24}, ago=hour * HOUR)
    told = longsoak("bands", rig_file)
    assert told.returncode == 1
    assert told.stderr == ("No probe was read on 7 whole days yet; ask again once that is so.\n")
