"""`longsoak flag`, run as a user runs it."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cli.keeping import kept
from cli.test_now_health import GOOD, STEP, told
from longsoak.vocabulary.flags import Flag, Reason
from processes import longsoak, running
from waiting import wait_for
from whole.thermorig import lay_out


@pytest.mark.long
def test_a_flag_set_by_hand_supersedes_what_is_shown_and_can_be_ended(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    day_before = datetime.now(UTC) - timedelta(days=1)
    with running(rig_file) as run:
        run.says("recording")
        set_ = longsoak(
            *("flag", rig_file, "Its cable hangs in the tray", "--as", "suspect"),
            *("--about", "T1", "--from", f"{day_before:%Y-%m-%d} 08:00", "--by", "mk"),
        )
        assert (set_.returncode, set_.stderr) == (0, "")
        assert set_.stdout.startswith("Kept as number 1, of ")

        def flag_of_t1() -> str:
            seen = json.loads(longsoak("now", rig_file, "--json").stdout)
            (found,) = [probe for probe in seen["probes"] if probe["probe"] == "T1"]
            return f"{found['flag']}: {found['reason']}"

        wait_for(
            lambda: flag_of_t1() == "suspect: flagged by hand, see the logbook",
            what="the flag to show",
        )
        (listed,) = json.loads(longsoak("flag", rig_file, "--json").stdout)
        assert (listed["subject"], listed["flag"], listed["until"]) == ("T1", "suspect", None)
        assert "Its cable hangs in the tray" in longsoak("flag", rig_file).stdout
        ended = longsoak("flag", rig_file, "Cable dried", "--ends", "1", "--by", "mk")
        assert (ended.returncode, ended.stderr) == (0, "")
        wait_for(lambda: flag_of_t1() == "pass: ", what="the flag to be ended")
        assert run.stop() == 0, run.log
    (listed,) = json.loads(longsoak("flag", rig_file, "--json").stdout)
    assert (listed["number"], listed["from"]) == (2, f"{day_before:%Y-%m-%d}T08:00:00.000Z")
    assert listed["until"] is not None
    again = longsoak("flag", rig_file, "Again", "--ends", "1", "--by", "mk")
    assert again.stderr == (
        "No flag that counts has the number 1; those that do: 2. `longsoak flag` lists them. "
        "Nothing was kept.\n"
    )
    unsaid = longsoak("flag", rig_file, "--ends", "77")
    assert (unsaid.returncode, "has the number 77" in unsaid.stderr) == (2, True)


def test_it_says_what_is_wrong_with_a_flag(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
    assert longsoak("flag", rig_file).stdout == "No reading was flagged by hand.\n"
    said = longsoak("flag", rig_file, "--as", "pass").stderr
    assert 'Write the reason behind the rig file: longsoak flag rig.toml "..."' in said
    neither = longsoak("flag", rig_file, "why").stderr
    assert "Say what they are with --as, or which flag ends with --ends." in neither
    backwards = longsoak(
        *("flag", rig_file, "why", "--as", "fail", "--by", "mk"),
        *("--from", "2026-05-04 12:00", "--until", "2026-05-04 11:00"),
    )
    assert backwards.returncode == 2
    assert backwards.stderr == (
        "The flag ends 4 May 2026, 11:00:00 UTC, which is not after it begins, "
        "4 May 2026, 12:00:00 UTC. Nothing was kept.\n"
    )


def test_a_pass_by_hand_sets_a_finding_aside_and_both_are_told(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    told(rig_file, found=(STEP,))
    with running(rig_file) as run:
        run.says("recording")
        passed = longsoak(
            *("flag", rig_file, "A second thermometer agrees", "--as", "pass", "--about", "T1"),
            *("--from", "2026-05-03 00:00", "--by", "mk"),
        )
        assert passed.returncode == 0, passed.stderr
        assert run.stop() == 0, run.log
    health = longsoak("now", rig_file, "--health").stdout
    assert f"Doubt: {STEP.says}" not in health
    assert health.splitlines()[-1] == (
        f"Set aside: {STEP.says}, until mk wrote in the logbook, 1: A second thermometer agrees"
    )


def test_the_automatic_flag_of_a_reading_is_kept(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1, flags={"T1": (Flag.SUSPECT, Reason.UNTRIED_TEMPERATURE)})
    with running(rig_file) as run:
        run.says("recording")
        longsoak(
            *("flag", rig_file, "why", "--as", "fail", "--about", "T1", "--by", "mk"),
            *("--from", "2026-01-01 00:00"),
        )
        assert run.stop() == 0, run.log
    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    rows = (out / "readings.csv").read_text().splitlines()
    flags = {row.split(",")[7] for row in rows if ",T1," in row}
    assert "3" in flags
    assert "4" not in flags
    (flagged,) = (out / "hand_flags.csv").read_text().splitlines()[1:]
    assert flagged == "1,T1,2026-01-01T00:00:00.000Z,,4,mk,why"
