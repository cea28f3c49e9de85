"""Files that an option asks to be written: whole or not at all."""

from pathlib import Path

import pytest

from longsoak.cli.options import write


def test_a_file_that_cannot_take_its_place_leaves_nothing_half_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.svg").mkdir()
    for replace in (False, True):
        with pytest.raises(SystemExit):
            write(tmp_path / "own.svg", "<svg/>", replace=replace)
        assert "own.svg can't be written: " in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["own.svg"]


def test_a_disk_that_takes_only_half_leaves_what_was_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.svg").write_text("the old one")
    (tmp_path / "own.svg.part").symlink_to("/dev/full")
    with pytest.raises(SystemExit):
        write(tmp_path / "own.svg", "<svg/>", replace=True)
    assert "own.svg can't be written: No space left on device." in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["own.svg"]
    assert (tmp_path / "own.svg").read_text() == "the old one"
