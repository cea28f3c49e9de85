"""Chips with a hwmon driver: files as the kernel writes them, and trees that lack something."""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import settings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import hwmon
from longsoak_drivers.hwmon import Chips, decode

AIR: dict[str, dict[str, object]] = {
    "room humidity": {"chip": "sht3x", "channel": "humidity1"},
    "room temperature": {"chip": "sht3x", "channel": "temp1"},
}


def chip(root: Path, number: int, *, name: str, seat: str, **files: str) -> Path:
    """Lay out one chip as the kernel does: a folder, and a link to where it sits."""
    folder = root / f"hwmon{number}"
    folder.mkdir(parents=True)
    (folder / "name").write_text(f"{name}\n")
    sits = root.parent / "devices" / seat
    sits.mkdir(parents=True, exist_ok=True)
    (folder / "device").symlink_to(sits)
    for file, content in files.items():
        (folder / file).write_text(f"{content}\n")
    return folder


def opened(root: Path, channels: dict[str, dict[str, object]] = AIR) -> Chips:
    return hwmon.open_bus(settings(channels, root=root))


def only(bus: Chips, probe: str) -> Sample | Missing:
    (got,) = bus.poll([probe])
    return got


@pytest.mark.parametrize(
    ("content", "channel", "expected"),
    [
        # Linux, Documentation/hwmon/sysfs-interface.rst (read): millidegree, millivolt,
        # milliampere. That of humidity, milli-percent, is in earlier versions of it (excerpt).
        (b"21500\n", "temp1", Sample("p", 21.5, "Cel")),
        (b"-10125\n", "temp2", Sample("p", -10.125, "Cel")),
        (b"64250\n", "humidity1", Sample("p", 64.25, "%")),
        (b"0\n", "in0", Sample("p", 0.0, "mV")),
        (b"350\n", "curr1", Sample("p", 350.0, "mA")),
    ],
)
def test_each_kind_of_channel_has_its_unit(content: bytes, channel: str, expected: Sample) -> None:
    assert decode(content, channel=channel, probe="p") == expected


@given(st.binary(max_size=30))
def test_what_is_no_whole_number_is_missing(content: bytes) -> None:
    got = decode(content, channel="temp1", probe="p")
    if isinstance(got, Sample):
        assert got.value == int(content) / 1000
    else:
        assert got.why is Absence.UNREADABLE


def test_humidity_and_temperature_of_one_chip(tmp_path: Path) -> None:
    root = tmp_path / "hwmon"
    chip(root, 0, name="cpu_thermal", seat="thermal_zone0", temp1_input="48000")
    chip(root, 1, name="sht3x", seat="1-0044", temp1_input="21500", humidity1_input="64250")
    bus = opened(root)
    assert list(bus.poll(list(AIR))) == [
        Sample("room humidity", 64.25, "%"),
        Sample("room temperature", 21.5, "Cel"),
    ]
    assert bus.describe() == f"1 of 1 chips under {root}"
    bus.close()
    bus.close()


def test_two_chips_of_one_name_are_told_apart_by_their_seats(tmp_path: Path) -> None:
    root = tmp_path / "hwmon"
    chip(root, 0, name="sht3x", seat="1-0045", temp1_input="10000")
    chip(root, 1, name="sht3x", seat="1-0044", temp1_input="20000")
    addresses: dict[str, dict[str, object]] = {
        "either": {"chip": "sht3x", "channel": "temp1"},
        "front": {"chip": "sht3x", "seat": "1-0044", "channel": "temp1"},
        "back": {"chip": "sht3x", "seat": "1-0045", "channel": "temp1"},
    }
    either, front, back = opened(root, addresses).poll(list(addresses))
    assert isinstance(either, Missing)
    assert either.detail == (
        "2 chips are called sht3x, at 1-0045, 1-0044: say which is meant with seat in the "
        "probe's address"
    )
    assert (front, back) == (Sample("front", 20.0, "Cel"), Sample("back", 10.0, "Cel"))


def test_a_chip_that_vanishes_is_missing_and_found_again_under_another_number(
    tmp_path: Path,
) -> None:
    root = tmp_path / "hwmon"
    root.mkdir()
    bus = opened(root)
    assert bus.describe() == f"0 of 1 chips under {root}"
    gone = only(bus, "room humidity")
    assert isinstance(gone, Missing)
    assert gone.detail == "no chip sht3x; there are: none. Check its wires and its supply"
    folder = chip(root, 2, name="sht3x", seat="1-0044", humidity1_input="50000")
    assert only(bus, "room humidity") == Sample("room humidity", 50.0, "%")
    shutil.rmtree(folder)
    chip(root, 3, name="lm75", seat="1-0048", temp1_input="9000")
    gone = only(bus, "room humidity")
    assert isinstance(gone, Missing)
    assert "there are: lm75 at 1-0048" in gone.detail
    chip(root, 7, name="sht3x", seat="1-0044", humidity1_input="51000")
    assert only(bus, "room humidity") == Sample("room humidity", 51.0, "%")


def test_a_chip_that_goes_while_it_is_listed_is_at_no_seat(tmp_path: Path) -> None:
    root = tmp_path / "hwmon"
    folder = chip(root, 0, name="sht3x", seat="1-0044", humidity1_input="50000")
    (folder / "device").unlink()  # the kernel takes the link first, then the files
    channels = {"here": AIR["room humidity"] | {"seat": "device"}, **AIR}
    here, anywhere = opened(root, channels).poll(["here", "room humidity"])
    assert isinstance(here, Missing)
    assert here.detail.startswith("no chip sht3x at device; there are: sht3x at no seat.")
    assert anywhere == Sample("room humidity", 50.0, "%")


def test_a_chip_that_goes_between_listing_and_reading_is_not_said_to_lack_the_channel(
    tmp_path: Path,
) -> None:
    root = tmp_path / "hwmon"
    folders = [
        chip(root, n, name="sht3x", seat=f"1-004{n}", temp1_input="1000", humidity1_input="50000")
        for n in range(2)
    ]
    channels = {f"{n}": AIR["room humidity"] | {"seat": f"1-004{n}"} for n in range(2)}
    poll = iter(opened(root, channels).poll(list(channels)))
    assert next(poll) == Sample("0", 50.0, "%")  # all are listed now, and one is read
    shutil.rmtree(folders[1])
    gone = next(poll)
    assert isinstance(gone, Missing)
    assert (
        gone.detail == "sht3x at 1-0041 went away while it was read: check its wires and its supply"
    )


def test_a_channel_the_chip_has_not_is_told(tmp_path: Path) -> None:
    root = tmp_path / "hwmon"
    chip(root, 0, name="sht3x", seat="1-0044", temp1_input="21500")
    got = only(opened(root), "room humidity")
    assert got == Missing("room humidity", Absence.NO_ANSWER, "sht3x has no channel humidity1")


@pytest.mark.parametrize(("fault", "missing"), [("0", False), ("1", True)])
def test_a_fault_the_chip_reports_is_no_value(tmp_path: Path, fault: str, missing: bool) -> None:
    root = tmp_path / "hwmon"
    chip(root, 0, name="sht3x", seat="1-0044", temp1_input="-40000", temp1_fault=fault)
    got = only(opened(root), "room temperature")
    assert isinstance(got, Missing) is missing
    if isinstance(got, Missing):
        assert (got.why, got.detail) == (
            Absence.REFUSED,
            "sht3x reports a fault of its sensor at temp1",
        )


def test_a_read_that_fails_is_missing_with_the_kernels_words(tmp_path: Path) -> None:
    root = tmp_path / "hwmon"
    folder = chip(root, 0, name="sht3x", seat="1-0044")
    (folder / "temp1_input").mkdir()  # reading a folder fails, as a chip does that lost its wires
    got = only(opened(root), "room temperature")
    assert isinstance(got, Missing)
    assert got.why is Absence.NO_ANSWER
    assert "Is a directory" in got.detail


def test_a_chip_whose_name_hangs_leaves_the_others_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("longsoak_drivers.hwmon.read_bytes.__kwdefaults__", {"limit": 0.2})
    root = tmp_path / "hwmon"
    folder = chip(root, 0, name="stuck", seat="1-0040")
    (folder / "name").unlink()
    os.mkfifo(folder / "name")  # opened for reading it waits for a writer, for ever
    chip(root, 1, name="sht3x", seat="1-0044", humidity1_input="50000")
    assert only(opened(root), "room humidity") == Sample("room humidity", 50.0, "%")
    with (folder / "name").open("wb"):  # let the reading thread go
        pass


def test_without_the_kernels_folder_the_bus_is_down(tmp_path: Path) -> None:
    with pytest.raises(BusError, match=r"No such file or directory.* so the kernel knows no chip"):
        opened(tmp_path / "nowhere")
    root = tmp_path / "hwmon"
    root.mkdir()
    bus = opened(root)
    root.rmdir()
    with pytest.raises(BusError, match="the kernel knows no chip"):
        list(bus.poll(["room humidity"]))


def test_a_seat_is_one_part_of_a_path_only() -> None:
    with pytest.raises(ValueError, match="seat"):
        hwmon.Address.model_validate({"chip": "sht3x", "seat": "../x", "channel": "temp1"})
