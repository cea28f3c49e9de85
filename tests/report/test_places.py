"""An export takes its place whole or not at all, and takes no other thing's place."""

import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from longsoak.report.export import Format, Wanted, export
from longsoak.report.places import ExportError
from report.exportrig import RIG, Made, make, quietly

# A program that exports, and does something the moment the readings are half written.
HALFWAY = """
import os, resource, signal, sys
from pathlib import Path
from longsoak.report import source
from longsoak.report.export import Format, Wanted, export
source.CHUNK = 8
folder, out, form, then = sys.argv[1:]
def progress(done, total):
    if 2 * done >= total:
        exec(then)
wanted = Wanted(rig="render pair", form=Format(form), as_zip=out.endswith(".zip"))
export(Path(folder), Path(out), wanted, progress=progress)
"""
KILL = "os.kill(os.getpid(), signal.SIGKILL)"
FULL = "resource.setrlimit(resource.RLIMIT_FSIZE, (1, -1))"

PLACES = [("out", Format.CSV), ("out.zip", Format.CSV), ("out", Format.PARQUET)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("rig"))


def halfway(made: Made, out: Path, form: Format, then: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", HALFWAY, made.folder, out, form, then],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def wanted(out: Path, form: Format = Format.CSV) -> Wanted:
    return Wanted(rig=RIG, form=form, as_zip=out.suffix == ".zip")


@pytest.mark.parametrize(("name", "form"), PLACES)
def test_one_that_is_killed_leaves_nothing_that_looks_whole_and_the_next_sweeps_it(
    made: Made, tmp_path: Path, name: str, form: Format
) -> None:
    out = tmp_path / name
    assert halfway(made, out, form, KILL).returncode == -signal.SIGKILL
    assert names(tmp_path) == [f".{name}.part"]
    assert not list(tmp_path.rglob("datapackage.json"))
    if name.endswith(".zip"):
        assert not zipfile.is_zipfile(tmp_path / f".{name}.part")
    quietly(made, out, wanted(out, form))
    assert names(tmp_path) == [name]


@pytest.mark.parametrize("name", ["out", "out.zip"])
def test_one_that_is_killed_leaves_the_earlier_one(made: Made, tmp_path: Path, name: str) -> None:
    out = quietly(made, tmp_path / name, wanted(tmp_path / name))
    inside = out if out.is_file() else out / "datapackage.json"
    before = inside.read_bytes()
    assert halfway(made, out, Format.CSV, KILL).returncode == -signal.SIGKILL
    assert inside.read_bytes() == before


@pytest.mark.parametrize(("name", "form"), PLACES)
def test_a_disk_that_takes_no_more_is_told_in_one_sentence_and_leaves_nothing(
    made: Made, tmp_path: Path, name: str, form: Format
) -> None:
    ended = halfway(made, tmp_path / name, form, FULL)
    assert names(tmp_path) == []
    said = ended.stderr.splitlines()
    assert said[-1] == (
        f"longsoak.report.places.ExportError: {tmp_path / name} can't be written: File too large. "
        "Nothing was left there. See that its folder is there, that this user may write in it and "
        "that it has room."
    )
    assert "Exception ignored" not in ended.stderr


@pytest.mark.parametrize(("name", "form"), PLACES)
def test_one_that_is_interrupted_leaves_nothing(
    made: Made, tmp_path: Path, name: str, form: Format
) -> None:
    def interrupt(_done: int, _total: int) -> None:
        raise SystemExit(130)

    out = tmp_path / name
    with pytest.raises(SystemExit):
        export(made.folder, out, wanted(out, form), progress=interrupt)
    assert names(tmp_path) == []


def test_a_kill_between_moving_the_earlier_one_aside_and_the_new_one_in_loses_neither(
    made: Made, tmp_path: Path
) -> None:
    out = quietly(made, tmp_path / "out")
    out.rename(tmp_path / ".out.before")  # as a kill leaves it there
    with pytest.raises(SystemExit):
        export(made.folder, out, wanted(out), progress=lambda done, total: sys.exit(1))
    assert names(tmp_path) == ["out"]
    assert (out / "datapackage.json").exists()


def test_two_at_once_to_one_place_do_not_meet(made: Made, tmp_path: Path) -> None:
    for name in ("out", "out.zip"):
        out = tmp_path / name
        met: list[str] = []

        def another(_done: int, _total: int, out: Path = out, met: list[str] = met) -> None:
            with pytest.raises(ExportError) as refused:
                quietly(made, out, wanted(out))
            met.append(str(refused.value))

        export(made.folder, out, wanted(out), progress=another)
        assert set(met) == {
            f"another export to {out} is under way. Wait for it to end, or name another place."
        }
    assert names(tmp_path) == ["out", "out.zip"]


def test_an_earlier_export_of_the_same_rig_gives_way(made: Made, tmp_path: Path) -> None:
    for name in ("out", "out.zip"):
        out = quietly(made, tmp_path / name, wanted(tmp_path / name))
        was = out.stat().st_ino
        quietly(made, out, wanted(out))
        assert out.stat().st_ino != was
    assert names(tmp_path) == ["out", "out.zip"]
    (tmp_path / "empty").mkdir()
    quietly(made, tmp_path / "empty")
    assert (tmp_path / "empty" / "SHA256SUMS").exists()


def test_anything_else_is_left_alone(made: Made, tmp_path: Path) -> None:
    (tmp_path / "a file").write_text("mine")
    (tmp_path / "a folder").mkdir()
    (tmp_path / "a folder" / "thesis.txt").write_text("mine")
    (tmp_path / "a.zip").write_text("mine")
    for name in ("a file", "a folder", "a.zip"):
        out = tmp_path / name
        with pytest.raises(ExportError, match=f"{name} is there already, and is no earlier export"):
            quietly(made, out, wanted(out))
    for name in ("other", "other.zip"):
        out = quietly(made, tmp_path / name, Wanted(rig="another rig", as_zip="." in name))
        with pytest.raises(ExportError, match="no earlier export of the rig 'render pair'"):
            quietly(made, out, wanted(out))
    own = quietly(made, tmp_path / "own")
    (own / "plot.png").write_text("mine")
    with pytest.raises(ExportError, match=r"holds plot.png, which is not of it and would be lost"):
        quietly(made, own)
    assert (own / "plot.png").read_text() == "mine"
    with pytest.raises(ExportError, match="lies in the record's own folder"):
        quietly(made, made.folder / "out")
    with pytest.raises(ExportError, match="No such file or directory"):
        quietly(made, tmp_path / "no" / "out")
    assert not any(name.startswith(".") for name in names(tmp_path))


def test_a_link_to_an_earlier_export_stays_a_link(made: Made, tmp_path: Path) -> None:
    quietly(made, tmp_path / "real")
    (tmp_path / "link").symlink_to("real")
    quietly(made, tmp_path / "link")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "link").readlink() == Path("real")
