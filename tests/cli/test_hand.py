"""`longsoak hand`, run as a user runs it."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.core.handreadings import Shown
from longsoak.core.metercheck import check_content
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import written_in
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import METER_CHECK, THE_RIG
from pages.pagerig import Wrong, keep
from photofiles import picture
from processes import longsoak, running
from whole.thermorig import lay_out

METER = ("--meter", "pin meter 2", "--scale", "spruce", "--by", "mk")
PLACE = ("--bay", "panel", "--depth", "45", "--height", "120")


def listed(rig_file: Path) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(longsoak("hand", rig_file, "--json").stdout)
    return found


def test_a_round_is_written_place_by_place_corrected_listed_and_exported(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    photo = tmp_path / "place.jpg"
    photo.write_bytes(picture(60, 40))
    with running(rig_file) as run:
        run.says("recording")
        first = longsoak("hand", rig_file, *PLACE, "--value", "17.5", *METER, "--photo", photo)
        assert (first.returncode, first.stderr) == (0, "")
        assert first.stdout.startswith("Kept as number 1, of ")
        second = longsoak(
            *("hand", rig_file, "--bay", "bay:panel", "--depth", "50", "--height", "135"),
            *("--value", ">60", *METER, "--grain", "across", "--pins", "insulated", "--json"),
        )
        told = json.loads(second.stdout)
        assert told["told"] == [
            "It is 16 mm from the hole of round 1 at 45 mm deep, 120 mm high. A hole changes the "
            "wood around it: keep 20 mm off old ones."
        ]
        assert told["entry"]["content"]["bound"] == "at least"
        assert told["entry"]["content"]["round"] == "1"
        deeper = longsoak(
            *("hand", rig_file, "--bay", "panel", "--depth", "66", "--height", "135"),
            *("--value", "1.2 GOhm", "--meter", "ohmmeter", "--by", "mk", "--note", "Same hole"),
        )
        assert "keep 20 mm off" not in deeper.stdout
        # A correction without a time keeps that of what it corrects.
        again = longsoak(
            "hand", rig_file, *PLACE, "--value", "15.5", *METER, "--corrects", "1", "--round", "1"
        )
        assert again.returncode == 0
        assert run.stop() == 0
    found = {each["number"]: each for each in listed(rig_file)}
    assert set(found) == {2, 3, 4}
    assert (found[4]["value"], found[3]["value"], found[3]["unit"]) == (15.5, 1.2e9, "Ohm")
    was = Logbook(folder_of(rig_file)).entry(1)
    now = Logbook(folder_of(rig_file)).entry(4)
    assert was is not None
    assert now is not None
    assert (now.at_utc_ms, len(was.photos)) == (was.at_utc_ms, 1)
    shown = longsoak("hand", rig_file).stdout
    assert "at least 60 %" in shown
    assert "1.2 GΩ" in shown
    assert "3 readings in 1 round, the newest first; depth and height in mm." in shown
    assert "reading" in longsoak("note", rig_file).stdout
    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    with (out / "hand_readings.csv").open() as file:
        rows = {row["number"]: row for row in csv.DictReader(file)}
    assert sorted(rows) == ["2", "3", "4"]
    assert (rows["2"]["bound"], rows["2"]["grain"]) == ("at_least", "across")


def test_a_file_of_a_round_is_kept_once_however_often_it_is_sent(tmp_path: Path) -> None:
    rig_file, file = lay_out(tmp_path), tmp_path / "round.csv"
    file.write_text(
        "bay,depth_mm,height_mm,value,unit,note\n"
        "panel,45,120,17.5,,\n"
        'panel,45,200,120M,Ohm,"By the knot, damp"\n'
        "panel,90,120,>60,%,\n"
    )
    with running(rig_file) as run:
        run.says("recording")
        sent = longsoak("hand", rig_file, "--csv", file, "--round", "spring", *METER)
        assert (sent.returncode, sent.stderr) == (0, "")
        lines = sent.stdout.splitlines()
        assert [line.partition(": ")[0] for line in lines] == [
            "By hand, panel, 45 mm deep, 120 mm high",
            "By hand, panel, 45 mm deep, 200 mm high",
            "By hand, panel, 90 mm deep, 120 mm high",
        ]
        assert all(f"Kept as number {n}, of" in line for n, line in enumerate(lines, 1))
        again = longsoak("hand", rig_file, "--csv", file, "--round", "spring", *METER)
        assert again.returncode == 0
        assert "Kept as number 2 already." in again.stdout
        assert Logbook(folder_of(rig_file)).last() == 3
        file.write_text(file.read_text() + "panel,90,200,18,%,\n")
        more = longsoak("hand", rig_file, "--csv", file, "--round", "spring", *METER, "--json")
        assert [each["entry"]["number"] for each in json.loads(more.stdout)] == [1, 2, 3, 4]
        assert run.stop() == 0
    by_number = {each["number"]: each for each in listed(rig_file)}
    assert by_number[2]["note"] == "By the knot, damp"
    assert (by_number[2]["value"], by_number[2]["unit"]) == (120e6, "Ohm")
    assert {each["round"] for each in by_number.values()} == {"spring"}


def test_every_mistake_in_a_file_is_told_at_once_with_its_line_and_field(tmp_path: Path) -> None:
    kept, file = keep(tmp_path / "rig"), tmp_path / "round.csv"
    kept.close()
    file.write_text(
        "bay,depth_mm,height_mm,value,unit,at,across_mm,grain,pins,wood_temperature,scale\n"
        "plain lime,30,60,17.5,,,,,,,spruce\n"
        "plain,30,60,17.5,,,,,,,spruce\n"
        "plain lime,241,421,wet,kOhm,noon,599,up,long,90,spruce\n"
        'plain lime,30,60,"18,0",,,,,,,spruce\n'
        "plain lime,60,60,18,,,,,,,\n"
        "plain lime,60,60\n"
    )
    ended = longsoak("hand", kept.rig_file, "--csv", file, "--meter", "m", "--by", "mk")
    assert (ended.returncode, ended.stdout) == (2, "")
    said = [line.removeprefix(f"{file}:") for line in ended.stderr.splitlines()]
    starts = [
        "3: bay is ",
        "4: depth_mm is ",
        "4: height_mm is ",
        "4: across_mm is ",
        "4: unit is ",
        "4: grain is ",
        "4: pins is ",
        "4: wood_temperature is ",
        "4: at is ",
        "5: the place is that of line 2 again, expected each once in a round.",
        "6: scale is missing, expected it in words. Add a column scale, or say it for all with",
        "7: the line is 3 cells, expected 11, as in the header.",
        "12 mistakes.",
    ]
    for start in starts:
        assert any(line.startswith(start) for line in said), (start, said)
    assert len(said) == len(starts)
    with_value = file.read_text().replace("wet,kOhm", "wet,Ohm")
    file.write_text(with_value)
    again = longsoak("hand", kept.rig_file, "--csv", file, "--meter", "m", "--by", "mk")
    assert ":4: value is 'wet', expected what the meter shows, as 17.5" in again.stderr
    inbox = Inbox(kept.folder)
    assert inbox.waiting() == []
    inbox.close()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "round.csv:1: the file is empty, expected a header line, then a line for each place"),
        ("bay,depth_mm,height_mm,value\n", "the file is a header only"),
        ("bay;depth_mm;height_mm;value\n", "kept apart by semicolons"),
        ("bay,depth,height_mm,value\npanel,1,1,1\n", "depth_mm is missing"),
        ("bay,depth_mm,height_mm,value,wood\np,1,1,1,1\n", "wood is unknown, expected"),
        ("bay,depth_mm,height_mm,value,note,note\np,1,1,1,,\n", "note is there twice"),
    ],
)
def test_a_file_that_is_no_round_is_refused(tmp_path: Path, text: str, says: str) -> None:
    kept, file = keep(tmp_path / "rig"), tmp_path / "round.csv"
    kept.close()
    file.write_text(text)
    ended = longsoak("hand", kept.rig_file, "--csv", file, *METER)
    assert ended.returncode == 2
    assert says in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_round_with_its_meter_checked_and_an_old_hole_used_once(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    meter = ("--meter", "pin meter 2", "--by", "mk")
    bare = (*METER, "--pins", "bare")
    with running(rig_file) as run:
        run.says("recording")
        before = longsoak("hand", rig_file, "--check-block", "18", "--value", "18.4", *meter)
        assert (before.returncode, before.stderr) == (0, "")
        assert longsoak("hand", rig_file, *PLACE, "--value", "17.5", *bare).returncode == 0
        after = longsoak("hand", rig_file, "--check-block", "18", "--value", "18", *meter)
        assert after.returncode == 0
        again = (
            "hand",
            rig_file,
            *PLACE,
            "--value",
            "18",
            *bare,
        )  # of the next round: that is over
        refused = longsoak(*again)
        assert (refused.returncode, refused.stdout) == (2, "")
        assert "and a hole is used once: move by 20 mm" in refused.stderr
        assert longsoak(*again, "--same-hole").returncode == 0
        file = tmp_path / "round.csv"
        file.write_text("bay,depth_mm,height_mm,value,same_hole\npanel,45,120,17,no\n")
        sent = ("hand", rig_file, "--csv", file, "--round", "3", *bare)
        assert "a hole is used once" in longsoak(*sent).stderr
        file.write_text("bay,depth_mm,height_mm,value,same_hole\npanel,45,120,17,yes\n")
        assert longsoak(*sent).returncode == 0
        assert run.stop() == 0
    entries = {entry.number: entry for entry in Logbook(folder_of(rig_file)).entries()}
    assert [entries[number].kind for number in (1, 2, 3)] == [
        "meter check", "hand reading", "meter check"
    ]  # fmt: skip
    assert (entries[1].content["when"], entries[3].content["when"]) == ("before", "after")
    assert entries[1].says == "Test block of 18 %: pin meter 2 shows 18.4 %, before round 1."
    shown = longsoak("hand", rig_file).stdout
    assert (
        "Round 1, pin meter 2: 0.4 % over the 18 % of the block before the round; showed the 18 % "
        "of the block after the round."
    ) in shown
    assert "Round 2, pin meter 2: not checked on a test block before the round" in shown
    assert [each.get("same_hole", False) for each in listed(rig_file)] == [True, True, False]


EMBEDDED = 14.73
PINS = "plain lime 90/160"


def test_what_embedded_pins_read_is_told_by_no_command_until_the_round_is_over(
    tmp_path: Path,
) -> None:
    now = SystemClock().utc_ms()
    odd = {PINS: Wrong(Flag.PASS, value=EMBEDDED)}
    kept = keep(tmp_path / "rig", times=range(now - 3_600_000, now, 900_000), now_ms=now, wrong=odd)
    beside = ("--bay", "plain lime", "--depth", "90", "--height", "185")
    value = ("--value", "40 MOhm", "--wood-temperature", "20")
    said = longsoak("hand", kept.rig_file, *beside, *value, *METER, "--json")
    assert f"The nearest pins are {PINS}, 25 mm away." in json.loads(said.stdout)["told"]
    assert "14.7" not in said.stdout + said.stderr
    (request,) = kept.inbox.waiting()
    entry = replace(
        written_in(request), number=1, kept_utc_ms=now, kept_boottime_ms=0, synchronised=True
    )
    kept.writer.commit(Batch(logbook=[entry]))
    shown = longsoak("hand", kept.rig_file, "--compare")
    assert shown.returncode == 0
    assert "it goes on. It is compared once each of its" in shown.stdout.replace("\n", " ")
    listing = longsoak("hand", kept.rig_file)
    document = longsoak("hand", kept.rig_file, "--compare", "--json")
    assert "14.7" not in shown.stdout + listing.stdout + document.stdout
    content = check_content(
        round_name="1", meter="pin meter 2", when="after", nominal=Shown(18, "%"),
        shown=Shown(18, "%"),
    )  # fmt: skip
    after = replace(
        entry, kind=METER_CHECK, subject=THE_RIG, content=content, number=2, request="r",
        at_utc_ms=entry.at_utc_ms + 1, asked_utc_ms=entry.at_utc_ms + 1,
    )  # fmt: skip
    kept.writer.commit(Batch(logbook=[after]))
    kept.close()
    over = longsoak("hand", kept.rig_file, "--compare", "--json")
    (one,) = json.loads(over.stdout)["rounds"]
    assert (one["goes_on"], one["checked_after"]) == (False, True)
    assert [pair["embedded"] for pair in one["pairs"]] == [pytest.approx(EMBEDDED, abs=1e-4)]


@pytest.mark.long
@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--value", "17"), "Say where with --bay, --depth and --height."),
        (("--bay", "plain lime"), "Say what the meter shows with --value."),
        (("--csv", "x.csv", "--value", "3"), "With --csv the places and values stand in the file"),
        (("--csv", "x.csv", "--photo", "p"), "A photo goes with one reading"),
        (("--csv", "x.csv"), "x.csv: the file is unreadable"),
        ((*PLACE[2:], "--bay", "stone", "--value", "17", *METER), "There is no bay 'stone'"),
        (("--bay", "plain lime", *PLACE[2:], "--value", "17", "--by", "mk"), "Say which meter"),
        (
            ("--bay", "plain lime", "--depth", "300", "--height", "60", "--value", "17", *METER),
            "300 mm from the wet face is outside: plain lime is 240 mm thick. Nothing was kept.",
        ),
        (("--compare", "--value", "3"), "--compare goes with --json alone: it writes nothing."),
        (("--when", "after"), "--when goes with --check-block."),
        (("--check-block", "18"), "Say what the meter shows on the block with --value."),
        (("--check-block", "18", "--value", "1 MOhm", "--meter", "m"), "write both in one unit"),
        (("--check-block", "18", "--value", "3", "--depth", "3"), "and nothing of a place"),
        (
            ("--bay", "plain lime", *PLACE[2:], "--value", "17", *METER, "--corrects", "9"),
            "There is no entry 9 to correct",
        ),
    ],
)
def test_what_can_not_be_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    kept.close()
    ended = longsoak("hand", kept.rig_file, *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in ended.stderr
    assert "Traceback" not in ended.stderr
    assert longsoak("hand", kept.rig_file).stdout == "Nothing was read by hand yet.\n"
