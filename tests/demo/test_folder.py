"""The demo's folder: what is kept, what is removed, and what is left alone."""

import json
from pathlib import Path

import pytest

from longsoak_demo.folder import DemoFolder, FolderError
from longsoak_demo.physics import RenderPair


def test_a_new_folder_is_laid_out_and_marked_as_invented(tmp_path: Path) -> None:
    folder = DemoFolder(tmp_path / "deep" / "rig", fresh=False)
    folder.lay_out(page=None)
    assert not folder.had_record
    assert folder.rig_file.read_text().startswith("# The demo's rig")
    assert "invented" in (folder.path / "invented-demo.txt").read_text()
    folder.release()


def test_an_earlier_record_is_kept_and_dead_ports_are_cleared_away(tmp_path: Path) -> None:
    DemoFolder(tmp_path, fresh=False).release()
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "record.db").write_text("months of work")
    (tmp_path / "ports").mkdir()
    (tmp_path / "ports" / "meter").symlink_to("/dev/pts/does-not-exist")
    again = DemoFolder(tmp_path, fresh=False)
    assert again.had_record
    assert (tmp_path / "record" / "record.db").read_text() == "months of work"
    assert not (tmp_path / "ports").exists()
    again.release()


def test_fresh_removes_what_an_earlier_demo_left(tmp_path: Path) -> None:
    DemoFolder(tmp_path, fresh=False).release()
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "record.db").write_text("months of work")
    outside = tmp_path.parent / "outside"
    outside.mkdir()
    (tmp_path / "link").symlink_to(outside)
    again = DemoFolder(tmp_path, fresh=True)
    assert not again.had_record
    assert {entry.name for entry in tmp_path.iterdir()} == {"invented-demo.txt"}
    assert outside.exists()
    again.release()


@pytest.mark.parametrize("fresh", [True, False])
def test_a_folder_that_is_no_demo_is_left_alone(tmp_path: Path, fresh: bool) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(FolderError, match="there is something in it, but no demo"):
        DemoFolder(tmp_path, fresh=fresh)
    assert [entry.name for entry in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_folder_another_demo_runs_in_is_refused_even_if_it_should_be_fresh(
    tmp_path: Path,
) -> None:
    first = DemoFolder(tmp_path, fresh=False)
    (tmp_path / "record").mkdir()
    with pytest.raises(FolderError, match="another demo is running in it"):
        DemoFolder(tmp_path, fresh=True)
    assert (tmp_path / "record").exists()
    first.release()
    DemoFolder(tmp_path, fresh=False).release()


def test_a_file_where_a_folder_is_expected_is_told(tmp_path: Path) -> None:
    (tmp_path / "rig").write_text("")
    with pytest.raises(FolderError, match=r"rig: can't be used: File exists"):
        DemoFolder(tmp_path / "rig", fresh=False)


def test_the_specimen_stays_wet_from_one_start_to_the_next(tmp_path: Path) -> None:
    folder = DemoFolder(tmp_path, fresh=False)
    pair = RenderPair()
    for _ in range(50):
        pair.step(240.0)
    pair.tray.pump_on = False
    folder.keep(pair)
    again, lost = folder.pair()
    folder.release()
    assert lost is None
    assert again.time == pair.time
    assert again.specimen_water == pair.specimen_water
    assert again.tray == pair.tray
    assert again.timber == pair.timber
    pair.step(60.0)
    again.step(60.0)
    assert again.water == pair.water


def broken(change: str) -> str:
    state = {"form": 1, "time": 0.0}
    return {"no json": "{", "a list": "[]", "too little": json.dumps(state)}.get(change, change)


@pytest.mark.parametrize("change", ["no json", "a list", "too little", '{"form": 2}'])
def test_a_state_that_cannot_be_read_means_starting_dry_and_saying_so(
    tmp_path: Path, change: str
) -> None:
    folder = DemoFolder(tmp_path, fresh=False)
    (tmp_path / "state.json").write_text(broken(change))
    pair, lost = folder.pair()
    folder.release()
    assert pair.time == 0
    assert lost is not None
    assert lost.startswith(f"{tmp_path}/state.json can't be used, ")
    assert lost.endswith("; starting dry.")
