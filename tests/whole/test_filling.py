"""A fill valve through `longsoak topup`, a running `longsoak run`, and lines of a chip as files."""

import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.ptys import Device
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.vocabulary.logbook import NOTE, TOP_UP
from processes import COMMAND, longsoak, running
from waiting import wait_for
from whole.trayrig import front_end, head

pytestmark = pytest.mark.long


RIG = """
[[buses]]
name = "tray"
driver = "lines"
port = "{port}"

[[buses]]
name = "panel"
driver = "gpio"
chip = "/dev/gpiochip0"

[[probes]]
name = "water level"
kind = "level"
every = 5
record = 60
bus = "tray"
address = {{ name = "level" }}

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
every = 1
record = 60
bus = "panel"
address = {{ line = 17 }}

[[outputs]]
name = "fill valve"
kind = "fill valve"
bus = "panel"
address = {{ line = 24 }}
longest = 120

[[outputs]]
name = "stop lamp"
kind = "lamp"
bus = "panel"
address = {{ line = 22 }}
"""


class Tray:
    """A tray of 0.4 L a mm that fills by 0.5 mm a second while the valve's line is on."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.lines = folder / "lines"
        self.lines.mkdir()
        for line in (17, 22, 24):
            (self.lines / str(line)).write_text("0")
        monkeypatch.setenv("GPIO_LINES", str(self.lines))
        monkeypatch.setenv("PYTHONPATH", str(Path(__file__).with_name("fakegpio")))
        self.level = 70.0
        self.says = {"level": "70,mm"}
        self.device = Device(folder / "front-end", front_end(self.says))
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(head("filled", litres=60.0) + RIG.format(port=self.device.path))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._fill, daemon=True)
        self._thread.start()

    def on(self, line: int) -> bool:
        return (self.lines / str(line)).read_text() == "1"

    def _fill(self) -> None:
        clock = SystemClock()
        before = clock.monotonic()
        while not self._stop.wait(0.05):
            now = clock.monotonic()
            self.level += 0.5 * (now - before) * self.on(24)
            self.says["level"] = f"{self.level:.2f},mm"
            before = now

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.device.unplug()

    def topup(self, *more: str) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [COMMAND, "topup", self.rig_file, "--by", "mk", "--until-settled", *more],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )


@pytest.fixture
def tray(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Tray]:
    tray = Tray(tmp_path, monkeypatch)
    yield tray
    tray.close()


@pytest.mark.long
def test_a_valve_lets_in_what_was_asked_and_the_logbook_has_all_of_it(tray: Tray) -> None:
    checked = longsoak("check", tray.rig_file)
    assert [line.split() for line in checked.stdout.split("\n\n")[1].splitlines()] == [
        ["bus", "address", "output", "kind", "on", "at", "most"],
        ["panel", "line", "22", "stop", "lamp", "lamp"],
        ["panel", "line", "24", "fill", "valve", "fill", "valve", "120", "s"],
    ]
    assert "Caution: fill valve: never the only thing between the supply" in checked.stdout
    with running(tray.rig_file) as run:
        run.says("open:")
        filling = tray.topup("--valve", "fill valve", "--litres", "6")
        wait_for(lambda: tray.on(24), what="the valve to open")
        out, err = filling.communicate(timeout=180)
        assert filling.returncode == 0, err
        assert "fill valve is shut: the 6 L asked for are in." in err
        assert not tray.on(24)
        assert run.stop() == 0
    logbook = Logbook(folder_of(tray.rig_file))
    shut, opened = logbook.entries(kind=NOTE)
    assert opened.says == "fill valve: opened by mk for 6 L."
    assert "by the level: the 6 L asked for are in." in shut.says
    (entry,) = logbook.entries(kind=TOP_UP)
    assert entry.content["source"] == "fill valve"
    assert entry.content["litres"] == pytest.approx(0.4 * (tray.level - 70), abs=0.2)
    assert 0.4 * (tray.level - 70) == pytest.approx(6.0, abs=0.5)
    assert "L by the depth table" in out


def test_a_float_and_a_command_that_was_killed_shut_it(tray: Tray) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        filling = tray.topup("--valve", "fill valve", "--litres", "6")
        wait_for(lambda: tray.on(24), what="the valve to open")
        (tray.lines / "17").write_text("1")
        wait_for(lambda: not tray.on(24), what="the float to shut it", limit=3)
        run.says("the guide says: float is up")
        wait_for(lambda: tray.on(22), what="the lamp", limit=3)
        filling.kill()
        filling.communicate()
        (tray.lines / "17").write_text("0")
        again = tray.topup("--valve", "fill valve", "--litres", "9")
        wait_for(lambda: tray.on(24), what="the valve to open again")
        again.kill()
        again.communicate()
        wait_for(lambda: not tray.on(24), what="it to shut by itself", limit=6)
        run.says("whoever asked for it is not heard any more")
        assert run.stop() == 0
    assert not tray.on(22)


def test_a_measuring_process_that_stops_shuts_it(tray: Tray) -> None:
    with running(tray.rig_file) as run:
        run.says("open:")
        filling = tray.topup("--valve", "fill valve", "--litres", "6")
        wait_for(lambda: tray.on(24), what="the valve to open")
        assert run.stop() == 0
        assert not tray.on(24)
        filling.kill()
        filling.communicate()
    shut = Logbook(folder_of(tray.rig_file)).entries(kind=NOTE)[0]
    assert shut.says.endswith("by the level: longsoak stops.")


def test_a_valve_that_is_none_is_told_before_the_level_is_asked(tray: Tray) -> None:
    (tray.lines / "17").write_text("1")  # a float that is up would keep a valve shut too
    with running(tray.rig_file) as run:
        run.says("open:")
        for name in ("fil valve", "stop lamp"):
            ended = longsoak(
                *("topup", tray.rig_file, "--by", "mk", "--valve", name, "--litres", "6")
            )
            assert (ended.returncode, ended.stdout) == (2, "")
            assert ended.stderr == (
                f"There is no fill valve or pump relay {name!r} on this rig. It has 'fill valve': "
                "name one.\n"
            )
        assert run.stop() == 0
