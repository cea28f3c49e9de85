"""A driver from outside the tree: installed by pip, passed by the kit, named in a rig file, run."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import check_fourtemps
import pytest

from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from processes import longsoak, running
from waiting import wait_for

RIG = """
[rig]
name = "four thermometers"
invented = true

[specimen]
height = 420
width = 600
underside = 110
edges = { top = "sealed", bottom = "open", left = "guarded", right = "guarded" }
between_bays = []

[[bays]]
name = "panel"
from = 0
to = 600
layers = [{ name = "panel", material = "timber", thickness = 180 }]

[[buses]]
name = "box"
driver = "fourtemps"
port = "PORT"

[[probes]]
name = "warm"
kind = "temperature"
bus = "box"
every = 0.2
place = "beside the specimen"
address = { input = "A" }

[[probes]]
name = "cold"
kind = "temperature"
bus = "box"
every = 0.2
place = "beside the specimen"
address = { input = "B" }
"""


@pytest.fixture
def rig_file(
    installed: Path,
    kit_run: "subprocess.Popen[str]",  # begun early, looked at last
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Path]:
    """A rig file beside a box that answers, for a program that finds the driver."""
    monkeypatch.setenv("PYTHONPATH", str(installed))
    with check_fourtemps.TestFourTemps().bench() as box:
        path = tmp_path / "rig.toml"
        path.write_text(RIG.replace("PORT", str(box.settings.options["port"])))
        yield path


def newest(folder: Path) -> dict[str, float | None]:
    try:
        latest = Record(folder / "record").latest(("warm", "cold"))
    except StoreError:  # it isn't there yet
        return {}
    return {probe: reading.raw for probe, reading in latest.items()}


def test_a_rig_file_may_name_it(rig_file: Path) -> None:
    checked = longsoak("check", rig_file)
    assert (checked.returncode, checked.stderr) == (0, "")


def test_its_mistakes_are_told_like_any_others(rig_file: Path) -> None:
    rig_file.write_text(rig_file.read_text().replace('input = "B"', 'input = "E"'))
    checked = longsoak("check", rig_file)
    assert checked.returncode == 2
    assert "probes[1].address.input is 'E', expected letter of the input: one of" in checked.stderr


def test_without_it_the_rig_file_is_refused_with_what_there_is(
    rig_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PYTHONPATH")
    assert "there is no driver 'fourtemps'; installed: gpio," in longsoak("check", rig_file).stderr


def test_the_service_reads_it(rig_file: Path) -> None:
    with running(rig_file) as run:
        wait_for(
            lambda: newest(rig_file.parent) == {"warm": 21.5, "cold": -5.25}, what="both readings"
        )
        assert run.stop() == 0
    assert "box with 2 thermometers" in run.log
