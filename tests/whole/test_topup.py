"""`longsoak topup` as a person uses it, on a tray at a pty that a test pours into."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.vocabulary.logbook import TOP_UP
from processes import COMMAND, longsoak, running
from waiting import wait_for
from whole.pouring import Tray

pytestmark = pytest.mark.long


@pytest.fixture
def tray(tmp_path: Path) -> Iterator[Tray]:
    tray = Tray(tmp_path)
    yield tray
    tray.device.unplug()


class Terminal:
    """A `longsoak topup` at a terminal of its own."""

    def __init__(self, *arguments: str | Path, **env: str) -> None:
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [COMMAND, "topup", *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, **env},
            start_new_session=True,
        )
        os.close(slave)
        self.heard = ""
        self._read = 0

    def says(self, words: str) -> None:
        """Wait until it says `words` after what it was last seen to say."""

        def found() -> bool:
            while select.select([self._master], [], [], 0)[0]:
                try:
                    self.heard += os.read(self._master, 4096).decode(errors="replace")
                except OSError:  # it has ended
                    break
            return words in self.heard[self._read :]

        wait_for(found, what=f"{words!r}", limit=40)
        self._read = self.heard.index(words, self._read) + len(words)

    def press_enter(self) -> None:
        os.write(self._master, b"\n")

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._master)


def test_a_pour_is_guided_at_a_terminal_and_kept_with_before_after_and_who(tray: Tray) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        terminal = Terminal(
            *(tray.rig_file, "--by", "mk", "--litres", "9.5", "--source", "rain butt"), NO_COLOR="1"
        )
        try:
            terminal.says(
                " ready  11.2 L (28 mm) to go · read 0 s ago · poured 0.0 L · clear 50 mm"
            )
            began, seen = time.monotonic(), terminal.heard.count("\r")
            tray.pour(0.1, upto=80)
            terminal.says(" pouring ")
            # Two redraws a second at least, over the ten seconds and more of the pour.
            redraws = terminal.heard.count("\r") - seen
            assert redraws >= 2 * (time.monotonic() - began) * 0.9
            tray.pour(0.1, upto=94)
            terminal.says(" stop ")
            assert "\a" in terminal.heard
            assert "\x1b[4" not in terminal.heard, "no colour where none is wished for"
            assert "over the line" not in terminal.heard
            terminal.press_enter()
            terminal.says("Waiting for the water to settle.")
            terminal.says("kept as number 1")
            assert terminal.process.wait(20) == 0
        finally:
            terminal.close()
        (entry,) = Logbook(folder_of(tray.rig_file)).entries(kind=TOP_UP)
        assert run.stop() == 0
    listed = longsoak("note", tray.rig_file).stdout
    assert entry.by == "mk"
    assert re.fullmatch(
        r"Topped up by 9\.6 L, rain butt: 70\.0 mm before, 9[34]\.\d mm after, "
        r"clearance 2[56]\.\d mm, 9\.5 L by the can\.",
        entry.says,
    )
    assert f"\n   {entry.says}\n" in listed
    assert listed.count("70.0 mm before") == 1
    assert entry.content == {
        "before_mm": 70.0,
        "after_mm": pytest.approx(94.0, abs=0.1),
        "litres": pytest.approx(9.6, abs=0.05),  # 24 mm of 0.4 L
        "litres_by_can": 9.5,
        "source": "rain butt",
    }


@pytest.mark.long
def test_a_float_that_goes_up_says_so_in_colour_and_a_script_gets_the_entry(
    tray: Tray, tmp_path: Path
) -> None:
    said = tmp_path / "said"
    with running(tray.rig_file) as run, said.open("w") as stderr:
        run.says("open:")
        script = subprocess.Popen(
            [COMMAND, "topup", tray.rig_file, "--by", "mk", "--until-settled", "--json"],
            stdout=subprocess.PIPE,
            stderr=stderr,
            stdin=subprocess.DEVNULL,
            text=True,
        )
        terminal = Terminal(tray.rig_file, "--by", "ab", NO_COLOR="")
        terminal.says(" ready ")
        wait_for(lambda: "ready" in said.read_text(), what="the script to be ready too")
        tray.pour(0.1, upto=75)
        tray.says["float"] = "1,1"
        terminal.says("\x1b[30m\x1b[41m\x1b[1m float is up \x1b[0m")
        tray.says["float"] = "0,1"
        terminal.close()
        out, _ = script.communicate(timeout=120)
        assert script.returncode == 0, said.read_text()
        assert run.stop() == 0
    words = [
        line.partition(":")[0]
        for line in said.read_text().splitlines()
        if re.match("[a-z ]+:", line)
    ]
    assert words[:2] == ["ready", "pouring"]
    document = json.loads(out)
    assert document["settled"] is True
    assert document["entry"]["content"]["after_mm"] == pytest.approx(75.0, abs=0.2)
    assert document["entry"]["content"]["litres_by_can"] is None


def test_ctrl_c_ends_it_like_enter_and_a_level_that_did_not_rise_is_no_top_up(tray: Tray) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        terminal = Terminal(tray.rig_file, "--by", "mk")
        terminal.says(" ready ")
        terminal.process.send_signal(signal.SIGINT)
        terminal.says("Waiting for the water to settle.")
        terminal.process.send_signal(signal.SIGINT)
        terminal.says("The level did not rise, and no litres were said: nothing was written.")
        assert terminal.process.wait(20) == 1
        terminal.close()
        assert run.stop() == 0
    assert Logbook(folder_of(tray.rig_file)).last() == 0


def test_a_button_opens_and_closes_a_service_window_in_the_logbook(tray: Tray) -> None:
    logbook = Logbook(folder_of(tray.rig_file))

    def press() -> None:
        for state in ("1", "0"):
            tray.says["button"] = f"{state},1"
            heard = len(tray.device.heard)
            wait_for(
                lambda: sum(b"button" in each for each in tray.device.heard[heard:]) > 1,  # noqa: B023
                what="two looks at the button",
            )

    with running(tray.rig_file) as run:
        run.says("open:")
        wait_for(lambda: any(b"button" in each for each in tray.device.heard), what="a first look")
        press()
        wait_for(lambda: logbook.last() == 1, what="the window")
        (shown,) = json.loads(longsoak("service", tray.rig_file, "--json").stdout)
        assert (shown["open"], shown["by"]) == (True, "button")
        press()
        wait_for(lambda: logbook.last() == 2, what="its end")
        assert run.stop() == 0
    newest, first = logbook.entries()
    assert (newest.by, newest.corrects, first.corrected_by) == ("button", 1, (2,))
    assert newest.says == "Ended by the button."


def test_nothing_is_guided_while_nobody_measures(tray: Tray) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        assert run.stop() == 0
    refused = longsoak("topup", tray.rig_file, "--by", "mk")
    assert refused.returncode == 1
    assert refused.stderr.startswith("`longsoak run` is not running here, so nobody reads the lev")


def test_a_valve_there_is_not_and_litres_that_can_not_be_are_told_before_anybody_pours(
    tray: Tray,
) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        none = longsoak("topup", tray.rig_file, "--by", "mk", "--valve", "tap", "--litres", "5")
        most = longsoak("topup", tray.rig_file, "--by", "mk", "--litres", "500")
        assert run.stop() == 0
    assert (none.returncode, none.stdout) == (most.returncode, most.stdout) == (2, "")
    assert none.stderr == (
        "There is no fill valve or pump relay 'tap' on this rig. Its rig file has no [[outputs]], "
        "so fill with a can and leave --valve out.\n"
    )
    assert most.stderr == (
        "500 L can't be: up to its rim tray holds 60 L. Write what one top-up was, in litres. "
        "Nothing was poured or kept.\n"
    )
