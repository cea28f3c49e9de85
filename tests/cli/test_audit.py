"""`longsoak audit`, run as a user runs it."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from cli.keeping import kept
from longsoak.cli.audit import audit
from longsoak.service.dayclosing import LOOKS_EVERY, DayClosing
from longsoak.store.files import folder_of
from longsoak.store.ledger import Ledger
from longsoak.store.photos import keep_photo
from longsoak.store.writer import Batch
from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.logbook import LogbookEntry
from processes import longsoak
from store.auditrecord import JPEG, altered
from whole.thermorig import lay_out

GOOD = {"T0": 20.04, "T1": 21.0, "T2": 22.0, "T3": 23.0}
DAY_S = 86_400.0


def recorded(folder: Path) -> tuple[Path, DayHead]:
    """A rig file with a record beside it, of three days, two of them closed."""
    rig_file = lay_out(folder)
    with kept(rig_file) as record:
        photo = keep_photo(record.folder, JPEG)
        entry = LogbookEntry(
            asked_utc_ms=1, at_utc_ms=1, by="mk", says="a look", photos=(photo.sha256,), number=1,
            request="u",
        )  # fmt: skip
        record.writer.commit(Batch(logbook=[entry]))
        for ago in (2 * DAY_S, DAY_S + 5, DAY_S, 1.0):
            record.scan(GOOD, ago=ago)
            days, rest = DayClosing(record.folder, record.writer), 0.0
            while rest != LOOKS_EVERY:
                rest, _ = days.do(now=0.0, utc_ms=1)
    head = Ledger(folder_of(rig_file)).last_head()
    assert head is not None
    return rig_file, head


def shown(*said: object) -> tuple[int, str]:
    """What the command shows, called in this process."""
    ended = CliRunner().invoke(audit, [str(one) for one in said], prog_name="longsoak audit")
    return ended.exit_code, ended.output


def picture(*said: object) -> dict[str, Any]:
    _, text = shown(*said, "--json")
    found: dict[str, Any] = json.loads(text)
    return found


def test_a_damaged_record_that_was_set_aside_is_named_and_the_new_one_is_not_at_fault(
    tmp_path: Path,
) -> None:
    rig_file, _ = recorded(tmp_path)
    (folder_of(rig_file) / "record.db.damaged-1").write_bytes(b"spoiled")
    code, text = shown(rig_file)
    assert code == 0
    assert "record.db.damaged-1 lies beside it, set aside as damaged" in text


def test_a_whole_record_ends_with_0_and_says_so_last(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    ended = longsoak("audit", rig_file)
    assert (ended.returncode, ended.stderr) == (0, "")
    lines = ended.stdout.splitlines()
    assert lines[-1] == "Nothing is wrong with the record."
    assert "file      whole" in lines
    assert "scans     4, each read" in lines
    assert "readings  16, 16 of them a pass" in lines
    assert f"          {head.root}" in lines
    assert "photos    1 photo looked at" in lines
    assert "No gap between two runs." in lines


def test_a_root_is_proved_and_what_it_proves_is_said(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    ended = longsoak("audit", rig_file, "--date", str(head.day), "--root", head.root)
    assert ended.returncode == 0
    assert f"Proved: {head.day}, root {head.root}.\n" in ended.stdout
    assert "  scans 1 to 3, and with them all readings\n" in ended.stdout
    assert "  version 1 of the rig file, accepted " in ended.stdout
    assert "  1 entry of the logbook\n" in ended.stdout
    assert "It does not prove that what was entered was right" in ended.stdout

    # As a mail program may break it, and in capitals
    broken = f"{head.root[:30].upper()}\n  {head.root[30:]}"
    assert shown(rig_file, "--date", head.day, "--root", broken)[0] == 0


def test_a_root_that_does_not_fit_ends_with_1_and_says_why(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    wrong = head.root[::-1]
    code, text = shown(rig_file, "--date", head.day, "--root", wrong)
    assert code == 1
    assert f"Not proved: {head.day}, root {wrong}:\n  the record says {head.root}" in text
    assert text.splitlines()[-1] == (
        "The root is not proved; apart from that nothing is wrong with the record."
    )
    found = picture(rig_file, "--date", head.day, "--root", wrong)
    assert found["wrong"] == []
    assert found["proof"]["proved"] is False


def test_an_alteration_ends_with_1_and_the_last_line_names_it(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    altered(folder_of(rig_file), "UPDATE logbook SET says = 'all is well'")
    code, text = shown(rig_file, "--date", head.day, "--root", head.root)
    assert code == 1
    assert text.splitlines()[-1].startswith(
        "1 thing is wrong with the record, and the root is not proved; the first: logbook entry 1: "
        "is not what was entered"
    )
    assert "the record names the same root, and logbook entry 1 is not what was entered" in text
    assert picture(rig_file)["wrong"][0]["what"] == "logbook entry 1"


def test_a_program_gets_all_of_it(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    found = picture(rig_file, "--date", head.day, "--root", head.root)
    assert [day["scans"] for day in found["days"]] in ([1, 2, 1], [1, 1, 1, 1])
    assert found["ledger"]["closed_days"][-1]["root"] == head.root
    assert found["ledger"]["open_scans"] == 1
    assert found["proof"]["proved"] is True
    (rig,) = found["proof"]["rig_versions"]
    assert set(rig) == {"version", "accepted", "accepted_utc_ms", "sha256", "entry", "inclusion"}
    assert found["proof"]["grew_to"]["root"] == head.root


@pytest.mark.parametrize(
    ("said", "answer"),
    [
        (["--date", "2026-05-04"], "--date and --root go together"),
        (["--root", "ab" * 32], "--date and --root go together"),
        (
            ["--date", "2026-05-04", "--root", "abcd"],
            "expected 64 digits of 0 to 9 and a to f, it has 4. Copy it whole",
        ),
        (["--date", "2026-05-04", "--root", "g" * 64], "expected 64 digits of 0 to 9 and a to f"),
        (["--date", "4.5.2026", "--root", "ab" * 32], "Write --date 2026-05-04."),
        (["--date", "2026-02-30", "--root", "ab" * 32], "Write --date 2026-05-04."),
        (["--date", "20260504", "--root", "ab" * 32], "Write --date 2026-05-04."),
        (["--record", "/nowhere"], "There is no record.db in /nowhere."),
    ],
)
def test_bad_input_ends_with_2_and_one_sentence(said: list[str], answer: str) -> None:
    code, text = shown("rig.toml", *said)
    assert code == 2
    assert answer in " ".join(text.split())


def test_a_backup_is_gone_through_where_it_lies(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path / "rig")
    (tmp_path / "stick").mkdir()
    assert longsoak("backup", rig_file, tmp_path / "stick").returncode == 0
    (backup,) = [path.parent for path in (tmp_path / "stick").glob("*/record.db")]
    found = picture("--record", backup, "--date", head.day, "--root", head.root)
    assert (found["wrong"], found["photos"], found["proof"]["proved"]) == ([], 1, True)


def test_where_nothing_was_recorded_it_says_so(tmp_path: Path) -> None:
    code, text = shown(lay_out(tmp_path))
    assert code == 1
    assert "there is no record at" in text


def test_the_last_closed_day_is_told_beside_the_readings(tmp_path: Path) -> None:
    rig_file, head = recorded(tmp_path)
    assert (
        f"\nClosed up to {head.day}, root {head.root[:16]}...\n" in longsoak("now", rig_file).stdout
    )
