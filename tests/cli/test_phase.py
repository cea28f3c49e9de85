"""`longsoak phase`, run as a user runs it."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pages.pagerig import keep
from processes import longsoak, running
from whole.thermorig import lay_out


def listed(rig_file: Path) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(longsoak("phase", rig_file, "--json").stdout)
    return found


def test_phases_follow_each_other_are_corrected_ended_and_exported(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    day = datetime.now(UTC) - timedelta(days=20)
    began = f"{day:%Y-%m-%d} 09:00"
    with running(rig_file) as run:
        run.says("recording")
        none = longsoak("phase", rig_file, "Done", "--end", "--by", "mk")
        assert none.returncode == 2
        assert "so none can end. Nothing was kept." in none.stderr
        first = longsoak(
            *("phase", rig_file, "Two weeks of the same", "--begin", "baseline"),
            *("--name", "first", "--at", began, "--by", "mk"),
        )
        assert (first.returncode, first.stderr) == (0, "")
        assert first.stdout.startswith("Kept as number 1, of ")
        wets = longsoak(
            *("phase", rig_file, "At rest", "--begin", "wetting", "--control", "panel"),
            *("--by", "mk"),
        )
        assert wets.returncode == 0
        # It keeps its time: only its name was wrong.
        named = longsoak(
            *("phase", rig_file, "Its name was wrong", "--begin", "baseline", "--name", "winter"),
            *("--corrects", "1", "--by", "wm"),
        )
        assert named.returncode == 0
        ended = longsoak("phase", rig_file, "The pump failed", "--end", "--by", "mk", "--json")
        assert json.loads(ended.stdout)["entry"]["content"] == {"name": "", "phase": None}
        assert run.stop() == 0
    newest, oldest = listed(rig_file)[0], listed(rig_file)[1]
    assert (oldest["number"], oldest["phase"], oldest["name"]) == (3, "baseline", "winter")
    assert oldest["from"] == f"{day:%Y-%m-%d}T09:00:00.000Z"
    assert oldest["until"] == newest["from"]
    assert (newest["phase"], newest["control"], oldest["control"]) == ("wetting", "panel", None)
    assert newest["until"] is not None
    shown = longsoak("phase", rig_file).stdout
    assert "winter" in shown
    assert "Its name was wrong" in shown
    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    heads, *rows = (out / "phases.csv").read_text().splitlines()
    assert heads == "number,phase,name,control,from_time,until_time,by,says"
    assert [row.split(",")[:4] for row in rows] == [
        ["3", "baseline", "winter", ""],
        ["2", "wetting", "", "panel"],
    ]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--begin", "wetting"), "Write the reason behind the rig file"),
        (("Dry",), "Say what begins with --begin, or end the one there is with --end."),
        (("Dry", "--begin", "wetting", "--end"), "Say what begins with --begin, or end"),
        (("Dry", "--end", "--name", "x"), "An end has no name"),
        (("Dry", "--end", "--control", "plain lime"), "An end has no control"),
        (("Dry", "--begin", "wetting", "--control", "x"), "There is no bay 'x' on this rig."),
        (("Dry", "--begin", "soaking"), "is not one of"),
        (("Dry", "--begin", "wetting", "--at", "noon"), "'noon' is no time"),
    ],
)
def test_what_can_not_be_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    kept.close()
    ended = longsoak("phase", kept.rig_file, *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in " ".join(ended.stderr.split())
    assert longsoak("phase", kept.rig_file).stdout == "No phase was begun.\n"
