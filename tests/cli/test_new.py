"""`longsoak new`, run as a user runs it: without questions, with them, and interrupted."""

import os
import pty
import select
import signal
import subprocess
import time
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from longsoak.rigfile.newrig.templates import template_text, templates
from newrigs import PANEL
from processes import COMMAND, longsoak
from waiting import LIMIT

FILE, SCHEMA = "rig.toml", "rig.schema.json"


def asked(*arguments: str | Path, says: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """Run the command with its questions answered, a line each."""
    return subprocess.run(
        [COMMAND, "new", *arguments],
        input="".join(f"{line}\n" for line in says),
        capture_output=True,
        text=True,
        timeout=LIMIT,
        check=False,
    )


def nothing(folder: Path) -> tuple[str, ...]:
    """Roots at which nothing is plugged in."""
    return ("--sys-root", f"{folder}/sys", "--dev-root", f"{folder}/dev")


@pytest.mark.parametrize("name", list(templates()))
def test_a_template_is_written_without_a_question_and_is_good_at_once(
    tmp_path: Path, name: str
) -> None:
    ended = longsoak("new", tmp_path / "rig", "--template", name)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "O a pair of pins" in ended.stdout
    assert "* minimum:" in ended.stdout or "* sceptic-proof:" in ended.stdout
    assert "mains" in ended.stdout
    assert "local codes and licensed practice decide" in " ".join(ended.stdout.split())
    assert sorted(each.name for each in (tmp_path / "rig").iterdir()) == [SCHEMA, FILE]
    checked = longsoak("check", tmp_path / "rig" / FILE)
    assert (checked.returncode, checked.stderr) == (0, "")
    assert checked.stdout.endswith("The file is good.\n")
    first = (tmp_path / "rig" / FILE).read_text().partition("\n")[0]
    assert first == f"#:schema ./{SCHEMA}"
    assert (tmp_path / "rig" / SCHEMA).read_text() == longsoak("schema", "rig").stdout


def test_the_templates_are_listed_with_what_they_are() -> None:
    listed = longsoak("new", "--list").stdout.splitlines()
    assert [line.split()[0] for line in listed] == list(templates())
    assert all(line.endswith(".") for line in listed)


def test_answers_in_a_file_make_the_same_rig_file_each_time(tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text(template_text("floor-sample"))
    for folder in ("one", "other"):
        assert longsoak("new", tmp_path / folder, "--answers", answers).returncode == 0
    one = (tmp_path / "one" / FILE).read_bytes()
    assert one == (tmp_path / "other" / FILE).read_bytes()
    longsoak("new", tmp_path / "third", "--template", "floor-sample")
    assert one == (tmp_path / "third" / FILE).read_bytes()


def test_mistakes_in_the_answers_are_told_and_nothing_is_written(tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text(template_text("floor-sample").replace("underside = 130", "underside = 90"))
    ended = longsoak("new", tmp_path / "rig", "--answers", answers)
    assert ended.returncode == 2
    assert "answers.toml:24: reservoir.float_at is 105, expected less than 90" in ended.stderr
    assert ended.stderr.endswith("1 mistake; nothing was written.\n")
    assert not (tmp_path / "rig").exists()


def test_a_rig_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text("mine")
    ended = longsoak("new", tmp_path, "--template", "misted-panel")
    assert ended.returncode == 2
    assert "is there already and stays as it is" in ended.stderr
    assert list(tmp_path.iterdir()) == [tmp_path / FILE]
    other = longsoak("new", tmp_path, "--template", "misted-panel", "--file-name", "b.toml")
    assert other.returncode == 0
    assert (tmp_path / FILE).read_text() == "mine"
    assert longsoak("check", tmp_path / "b.toml").returncode == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--template", "castle"), "There is no template 'castle'. There are floor-sample"),
        (("--template", "misted-panel", "--answers", "a.toml"), "not both"),
        (("--template", "misted-panel", "--file-name", "a/b.toml"), "no name of a rig file"),
        (("--answers", "nowhere.toml"), "expected a file of answers this user may read"),
        (("--template", "misted-panel", "--minutes-pair", "long"), "is not minutes from 0 to 600"),
    ],
)
def test_what_cannot_be_asked_for_is_told_in_a_sentence(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    ended = longsoak("new", tmp_path / "rig", *arguments)
    assert ended.returncode == 2
    assert says in ended.stderr
    assert not (tmp_path / "rig").exists()


def test_questions_lead_to_a_good_rig_file_of_what_was_said(tmp_path: Path) -> None:
    ended = asked(tmp_path / "rig", *nothing(tmp_path), says=PANEL)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "nothing that could be a bus" in ended.stdout
    assert longsoak("check", tmp_path / "rig" / FILE).returncode == 0
    said = tomllib.loads((tmp_path / "rig" / FILE).read_text())
    assert said["report"]["question"] == "Does water reach the timber?"
    assert [layer["thickness"] for layer in said["bays"][0]["layers"]] == [20, 100]
    pins = [(p["depth"], p["height"]) for p in said["probes"] if p["kind"] == "pins"]
    assert pins == [(30, 60), (30, 210), (60, 60), (60, 210)]
    # It is drawn as it grows: the bay after its layers and after its pins, and all at the end.
    assert ended.stdout.count("panel, 600 mm wide") == 3
    assert ended.stdout.count("a top-up ends here") == 2
    for step in ("check", "run", "prove"):
        assert f"longsoak {step} {tmp_path}/rig/{FILE}" in ended.stdout


def test_a_wrong_answer_gets_a_sentence_and_is_asked_again(tmp_path: Path) -> None:
    right = list(PANEL)
    wrong = {
        2: ("9", "Write a number from 1 to 4, or the words behind it."),
        3: ("40 cm", "'40 cm' is no number from 1 to 20000."),
        15: ("20", "At 20 mm one material ends and another begins"),
        16: ("600", "'600' is no number from 0 to 420."),
    }
    says = [each for i, line in enumerate(right) for each in (*wrong.get(i, ())[:1], line)]
    ended = asked(tmp_path / "rig", *nothing(tmp_path), says=says)
    assert ended.returncode == 0, ended.stdout
    for _, words in wrong.values():
        assert ended.stdout.count(words) == 1


def test_what_is_plugged_in_is_listed_and_can_be_chosen(tmp_path: Path) -> None:
    dev, sys_root = tmp_path / "dev", tmp_path / "sys"
    (dev / "serial" / "by-id").mkdir(parents=True)
    port = dev / "serial" / "by-id" / "usb-front-end"
    port.touch()
    (sys_root / "bus" / "w1" / "devices" / "28-0316a2795c13").mkdir(parents=True)
    ended = asked(tmp_path / "rig", *nothing(tmp_path), says=PANEL)
    assert ended.returncode == 0, ended.stdout
    assert f"serial ports: {port}" in ended.stdout
    assert "1-Wire thermometers: 28-0316a2795c13" in ended.stdout
    said = tomllib.loads((tmp_path / "rig" / FILE).read_text())
    assert {bus.get("port") for bus in said["buses"]} == {str(port), None}
    (heat,) = [p for p in said["probes"] if p["name"] == "T panel"]
    assert heat["address"] == {"id": "28-0316a2795c13"}


def test_another_name_is_offered_where_a_rig_file_is_there(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text("mine")
    ended = asked(tmp_path, *nothing(tmp_path), says=("", *PANEL))
    assert ended.returncode == 0, ended.stdout
    assert f"{tmp_path}/{FILE} is there already and stays as it is." in ended.stdout
    assert (tmp_path / FILE).read_text() == "mine"
    assert longsoak("check", tmp_path / "rig-2.toml").returncode == 0


def test_answers_that_end_too_early_write_nothing(tmp_path: Path) -> None:
    ended = asked(tmp_path / "rig", *nothing(tmp_path), says=PANEL[:12])
    assert ended.returncode == 2
    assert "Nothing was written." in ended.stderr
    assert not (tmp_path / "rig").exists()


def test_ctrl_c_writes_nothing_and_ends_with_130(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    shown = b""
    with subprocess.Popen(
        [COMMAND, "new", tmp_path / "rig", *nothing(tmp_path)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        try:
            while b"Name of the rig" not in shown:
                ready, _, _ = select.select([ours], [], [], LIMIT)
                assert ready, shown
                shown += os.read(ours, 4096)
            # A signal between the words shown and the wait for an answer is told at the answer:
            # Python looks for it no sooner. Whoever sits there presses again.
            ends = time.monotonic() + LIMIT
            while process.poll() is None and time.monotonic() < ends:
                process.send_signal(signal.SIGINT)
                with suppress(subprocess.TimeoutExpired):
                    process.wait(5)
            assert process.returncode == 130
        finally:
            process.kill()
            os.close(ours)
    assert not (tmp_path / "rig").exists()
