"""`longsoak saw`, run as a user runs it."""

import hashlib
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from longsoak.core.mould import GROWTH_CAUTION
from pages.pagerig import keep
from photofiles import picture
from processes import longsoak, running
from whole.thermorig import lay_out

SCALE = """
[[scales]]
name = "bloom on panels"
of = ["salt bloom", "fur"]
words = ["none", "a haze", "white fur"]
source = "own words, before the first wetting"
"""
FOOT = ("--bay", "panel", "--face", "dry", "--height-from", "0", "--height-to", "60")


def test_what_is_seen_is_kept_listed_place_by_place_corrected_and_exported(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    rig_file.write_text(rig_file.read_text() + SCALE)
    photo = tmp_path / "foot.jpg"
    photo.write_bytes(picture(400, 300))
    week = f"{datetime.now(UTC) - timedelta(days=7):%Y-%m-%d} 09:00"
    with running(rig_file) as run:
        run.says("recording")
        none = longsoak(
            *("saw", rig_file, "Clean", "--of", "growth", "--grade", "0", *FOOT),
            *("--at", week, "--by", "mk"),
        )
        assert (none.returncode, none.stderr) == (0, f"{GROWTH_CAUTION}\n")
        assert none.stdout.startswith("Kept as number 1, of ")
        some = longsoak(
            *("saw", rig_file, "Grey tufts", "--of", "growth", "--grade", "1", *FOOT),
            *("--extent", "5", "--photo", photo, "--by", "mk", "--json"),
        )
        told = json.loads(some.stdout)
        assert some.stderr == f"{GROWTH_CAUTION}\n"
        assert told["entry"]["content"]["scale"] == "ASTM G21"
        assert told["entry"]["photos"] == [hashlib.sha256(photo.read_bytes()).hexdigest()]
        bloom = ("saw", rig_file, "Fur", "--of", "fur", "--bay", "panel", "--depth", "10")
        assert longsoak(*bloom, "--grade", "white fur", "--by", "mk").returncode == 0
        # It keeps its time and place: only the grade was wrong.
        right = longsoak(*bloom, "--grade", "1", "--corrects", "3", "--by", "wm")
        assert (right.returncode, right.stderr) == (0, "")
        assert run.stop() == 0
    found = json.loads(longsoak("saw", rig_file, "--json").stdout)
    assert [(each["number"], each["of"], each["grade"]) for each in found] == [
        (1, "growth", 0),
        (2, "growth", 1),
        (4, "fur", 1),
    ]
    shown = longsoak("saw", rig_file).stdout
    assert shown.count("growth, panel, dry face, 0 to 60 mm high. It came between ") == 1
    assert "1 of 2 by bloom on panels" in shown
    assert "growth" not in longsoak("saw", rig_file, "--of", "fur").stdout
    assert longsoak("saw", rig_file, "--bay", "x").stdout == (
        "Nothing of that was written down as seen.\n"
    )
    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    heads, *rows = (out / "observations.csv").read_text().splitlines()
    assert heads.startswith("number,time,bay,face,depth_mm,height_from_mm,height_to_mm,of,scale")
    assert [row.split(",")[0] for row in rows] == ["1", "2", "4"]


SEEN = ("Tufts", "--of", "growth", "--grade", "1", "--bay", "plain lime")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--grade", "1"), "Write what was seen behind the rig file."),
        (("Tufts", "--grade", "1", "--bay", "b"), "Say what it is with --of, --grade and --bay."),
        (SEEN, "Say where it is with --face, or with --depth where it was laid open."),
        ((*SEEN, "--face", "dry", "--depth", "3"), "Say where it is with --face, or with --depth"),
        ((*SEEN, "--face", "north"), "'north' is not one of 'dry', 'wet'"),
        ((*SEEN, "--face", "dry", "--scale", "x"), "expected one of 'ASTM G21', 'ISO 846'."),
        ((*SEEN, "--face", "dry", "--grade", "5"), "The scale ASTM G21 has no grade '5'"),
        ((*SEEN, "--face", "dry", "--of", "moss"), "Nothing seen is called 'moss' here"),
        ((*SEEN, "--face", "dry", "--bay", "x"), "There is no bay 'x' on this rig."),
        ((*SEEN, "--face", "dry", "--height-to", "9"), "tell both, or neither for all of it"),
        ((*SEEN, "--depth", "241"), "is outside: plain lime is 240 mm thick"),
        ((*SEEN, "--face", "dry", "--extent", "101"), "is not a share in % from 0 to 100"),
    ],
)
def test_what_can_not_be_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    kept.close()
    ended = longsoak("saw", kept.rig_file, *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in " ".join(ended.stderr.split())
    assert longsoak("saw", kept.rig_file).stdout == "Nothing was written down as seen yet.\n"
