"""The supply as the kernel tells of it, in a tree made like its own."""

from pathlib import Path

from longsoak.service.supply import LOOK, REMEMBERED, TELL, Supply
from longsoak.vocabulary.alarmplan import Watch


def chip(sys: Path, low: int) -> None:
    """Files as drivers/hwmon/raspberrypi-hwmon.c makes them, beside those of another chip."""
    other, ours = sys / "class/hwmon/hwmon0", sys / "class/hwmon/hwmon1"
    for folder, name in ((other, "cpu_thermal"), (ours, "rpi_volt")):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "name").write_text(f"{name}\n")
    (ours / "in0_lcrit_alarm").write_text(f"{low}\n")


def firmware(sys: Path, bits: int) -> None:
    """The file of drivers/firmware/raspberrypi.c: hexadecimal, without 0x."""
    file = sys / "devices/platform/soc/soc:firmware/get_throttled"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(f"{bits:x}\n")


class Looking:
    """A supply, looked at over and over."""

    def __init__(self, sys: Path) -> None:
        self.supply = Supply(sys)
        self.now = 0.0
        self.told: list[str] = []

    def look(self, seconds: float = LOOK) -> str | None:
        """Look once and let time pass; what is wrong."""
        _, events = self.supply.do(now=self.now, utc_ms=0)
        self.now += seconds
        self.told += [event.says for event in events]
        return self.supply.standing()[Watch.UNDERVOLTAGE]


def test_a_dip_stands_for_a_minute_so_that_it_outlasts_the_alarms_delay(tmp_path: Path) -> None:
    chip(tmp_path, 0)
    seen = Looking(tmp_path)
    assert seen.look() is None
    chip(tmp_path, 1)
    assert seen.look() == "the supply was too low a moment ago"
    chip(tmp_path, 0)
    assert seen.look(REMEMBERED - LOOK) is not None
    assert seen.look() is None


def test_it_is_told_with_the_start_and_then_once_an_hour_if_it_changed(tmp_path: Path) -> None:
    chip(tmp_path, 0)
    seen = Looking(tmp_path)
    seen.look()
    for _ in range(3):
        chip(tmp_path, 1)
        seen.look()
        chip(tmp_path, 0)
        seen.look(600)
    assert seen.told == ["as it should be"]
    seen.look(TELL)
    seen.look(TELL)
    seen.look(TELL)
    assert seen.told == ["as it should be", "too low 3 times within 1 h 30"]


def test_an_older_kernel_tells_by_two_bits(tmp_path: Path) -> None:
    firmware(tmp_path, 0x50000)  # was too low, and throttled, since the start; not now
    seen = Looking(tmp_path)
    assert seen.look(REMEMBERED) is not None
    assert seen.told == ["too low 1 time"]
    assert seen.look() is None  # nobody clears bit 16
    firmware(tmp_path, 0x50005)
    assert seen.look() is not None
    firmware(tmp_path, 0xE0008)  # hot and slowed down, with a good supply
    assert Looking(tmp_path).look() is None


def test_a_computer_that_does_not_tell_has_nothing_wrong(tmp_path: Path) -> None:
    seen = Looking(tmp_path)
    assert seen.look() is None
    assert seen.told == []
    chip(tmp_path, 1)  # its driver is loaded late
    assert seen.look() is not None
