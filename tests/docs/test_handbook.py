"""The handbook: each command in it run in the order in which it stands, and no alarm left out.

The rig is the demo's hardware; `longsoak run` and the pages are started as their units start them.
What needs the service manager itself is run by tests/guest, the installer by tests/bare.
"""

import re
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from demo.running import laid_out
from docs.blocks import TOP, blocks_of
from longsoak.rigfile.alarmusual import DAY, HOUR, MINUTE, USUAL
from longsoak.vocabulary.alarmplan import Watch
from newrigs import PANEL
from processes import COMMAND, END_OF_INPUT, Running, at_a_terminal
from servers import free_port, listens
from waiting import LIMIT, wait_for

HANDBOOK = (TOP / "deploy" / "HANDBOOK.md").read_text()
HOME, STICK = "/var/lib/longsoak", "/media/stick"
BY_OTHERS = {  # where a command is run that can't be here
    "sudo sh deploy/install.sh": "bare/test_install.py",
    "systemctl status longsoak": "guest/test_guest.py",
    "journalctl -u longsoak -n 30": "guest/test_guest.py",
}
ONE = {  # exit code 1 is what such a command tells of a rig that is new
    "prove rig.toml --by mk --reads": "still to do",
    "prove rig.toml --by mk --why": "still to do",
    "prove rig.toml --by mk": "the walk goes on later",
    "prove rig.toml --sheet": "not proven",
    "bands": "ask again once that is so",
    "now rig.toml --health": "no day yet",
    "phase rig.toml --gates": "not met",
    "closing rig.toml": "open",
}
TYPED = {  # what a person types
    "new": PANEL,
    "password rig.toml --reading": ("what every visitor knows",) * 2,
    "password": ("four words to be remembered",) * 2,
    "topup": ("",),
}


class Keeper:
    """Whoever follows the handbook: their computer, its services, and what was said last."""

    def __init__(self, place: Path, hardware: Path) -> None:
        self.hardware = hardware
        self.home, self.stick = place / "first", place / "stick"
        self.stick.mkdir()
        self.home.mkdir()
        self._measuring: Running | None = None
        self._pages: subprocess.Popen[bytes] | None = None

    def does(self, line: str) -> None:
        """Run one line as it stands, on another computer's folders and services."""
        if line in BY_OTHERS:
            assert line.removeprefix("sudo ") in (TOP / "tests" / BY_OTHERS[line]).read_text()
        elif line.startswith("sudo systemctl "):
            self._manages(*line.split()[2:])
        else:
            self._runs(line)

    def _manages(self, verb: str, *units: str) -> None:
        for unit in (unit for unit in units if not unit.startswith("-")):
            if verb == "start":
                self._starts(unit)
            else:
                assert verb in ("stop", "disable")
                self._stops(unit)

    def _starts(self, unit: str) -> None:
        assert (self.home / "rig.toml").exists()
        if unit == "longsoak":
            self._measuring = Running(self.home / "rig.toml")
            self._measuring.says("recording")
            return
        assert (self.home / "pages-passwords.json").exists()
        text = (TOP / "deploy" / f"{unit}.service").read_text()
        (words,) = re.findall(r"^ExecStart=\S+ (.*)$", text, re.MULTILINE)
        port = free_port()
        self._pages = subprocess.Popen(
            [COMMAND, *self._here(words).split(), "--port", str(port)], stderr=subprocess.DEVNULL
        )
        wait_for(lambda: listens(port), what="the pages")

    def _stops(self, unit: str) -> None:
        if unit == "longsoak" and self._measuring is not None:
            assert self._measuring.stop() == 0
            self._measuring = None
        if unit == "longsoak-pages" and self._pages is not None:
            self._pages.send_signal(signal.SIGTERM)
            assert self._pages.wait(LIMIT) == 0
            self._pages = None

    def _runs(self, line: str) -> None:
        words = line.partition("longsoak longsoak ")[2]
        if words.startswith("restore rig.toml"):  # the other computer, on which nothing is yet
            self.home = self.home.with_name("second")
            self.home.mkdir()
        typed = next((typed for start, typed in TYPED.items() if words.startswith(start)), ())
        code, said = at_a_terminal(
            self._here(line), folder=self.home, typed=typed or (END_OF_INPUT,)
        )
        one = next((told for start, told in ONE.items() if words.startswith(start)), None)
        assert code == 0 or (code == 1 and one and one in said), said
        if words.startswith("new "):  # what it wrote is good; the simulated rig is another
            rig = self.home / "rig.toml"
            self._runs("sudo -u longsoak longsoak check rig.toml")
            rig.rename(self.home / "asked.toml")
            shutil.copy(self.hardware / "rig.toml", rig)

    def _here(self, line: str) -> str:
        line = line.replace("sudo -u longsoak ", "").replace(HOME, str(self.home))
        return line.replace(STICK, str(self.stick))

    def leaves(self) -> None:
        """End what is still running."""
        if self._measuring is not None:
            self._measuring.kill()
        if self._pages is not None:
            self._pages.kill()
            self._pages.wait(LIMIT)


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    place = tmp_path / "hardware"
    with laid_out(place, page="http://shop-pi.local:8460/"):
        keeper = Keeper(tmp_path, place)
        yield keeper
        keeper.leaves()


@pytest.mark.long
@pytest.mark.timeout(600)
def test_each_command_does_what_it_is_there_for(keeper: Keeper) -> None:
    found = blocks_of("deploy/HANDBOOK.md")
    assert sum(len(lines) for lines in found) > 45
    for lines in found:
        for line in lines:
            keeper.does(line)
    assert (keeper.home / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (keeper.home / "archive.zip").exists()
    assert (keeper.home / "finished" / "record" / "record.db").exists()


def rows() -> dict[str, str]:
    """How soon one has to come, by alarm, as the handbook has it."""
    told: dict[str, str] = {}
    chapter = HANDBOOK.partition("## What to do at each alarm")[2].partition("\n## ")[0]
    for names, soon in re.findall(r"^\| (`[^|]+) \| ([^|]+) \| [A-Z*`]", chapter, re.MULTILINE):
        told |= dict.fromkeys(re.findall(r"`([^`]+)`", names), soon)
    return told


def soon_words(seconds: float) -> str:
    for size, word in ((DAY, "day"), (HOUR, "h"), (MINUTE, "min")):
        if seconds >= size:
            number = round(seconds / size)
            return f"{number} {word}{'s' if word == 'day' and number > 1 else ''}"
    raise AssertionError(seconds)


def test_each_alarm_has_its_row_and_the_time_there_is() -> None:
    own = {Watch.ABOVE, Watch.BELOW}
    usual = {
        watch.value: "as you say" if watch in own else soon_words(USUAL[watch].within)
        for watch in Watch
    }
    assert rows() == usual


def test_each_command_named_in_the_text_is_one() -> None:
    commands = set(re.findall(r"`longsoak ([a-z]+)", HANDBOOK))
    listed = subprocess.run([COMMAND, "--help"], capture_output=True, text=True, check=True)
    assert {name for name in commands if f"\n  {name} " not in listed.stdout} == set()


def test_the_cautions_stand_before_the_parts() -> None:
    before = HANDBOOK.partition("## What you need")[0]
    for word in ("Mains near water", "Mould", "Weight", "Dust", "Standing water", "licensed"):
        assert word in before
    assert "licensed" in HANDBOOK.partition("## What to do at each alarm")[2].partition("###")[0]
