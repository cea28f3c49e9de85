"""1-Wire thermometers: files as the kernel writes them, and trees that lack something."""

import os
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import settings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import onewire
from longsoak_drivers.onewire import crc8, decode
from waiting import wait_for

GOOD = b"91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n"
POWER_ON = b"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
# Truly that hot: the seventh byte counted down (checksums computed).
HOT = b"50 05 4b 46 7f ff 10 10 bd : crc=bd YES\n50 05 4b 46 7f ff 10 10 bd t=85000\n"
LAYER, AIR = "28-0316a2795c13", "28-000005e2fdc3"

# Maxim application note 27, as quoted by stackoverflow question 74780049 (second hand): a ROM
# number and its checksum. The memory contents are computed.
PUBLISHED = [
    ("02 1c b8 01 00 00 00", 0xA2),
    ("50 05 4b 46 7f ff 0c 10", 0x1C),
    ("91 01 4b 46 7f ff 0c 10", 0x70),
]


def tree(root: Path, **files: bytes) -> Path:
    """Lay out a sysfs tree; keyword names have no dash, so it is put in here."""
    for name, content in files.items():
        folder = root / name.removeprefix("w_").replace("_", "-")
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "w1_slave").write_bytes(content)
    return root


@pytest.mark.parametrize(("data", "expected"), PUBLISHED)
def test_the_checksum_matches_the_published_ones(data: str, expected: int) -> None:
    assert crc8(bytes.fromhex(data)) == expected
    assert crc8(bytes.fromhex(data) + bytes([expected])) == 0


def test_the_checksum_gives_the_catalogued_check_value() -> None:
    # CRC-8/MAXIM over "123456789" is A1 (computed; from memory also the catalogued check value).
    assert crc8(b"123456789") == 0xA1


@pytest.mark.parametrize(
    ("content", "value"),
    [
        (GOOD, 25.062),
        (HOT, 85.0),
        (
            HOT.replace(b"50 05", b"ff 07")
            .replace(b"ff 10 10 bd", b"ff 01 10 2f")
            .replace(b"85000", b"127937"),
            127.937,
        ),
        (GOOD.replace(b"t=25062", b"t=-10125"), -10.125),
        (GOOD.replace(b"t=25062", b"t=0"), 0.0),
    ],
)
def test_a_temperature_is_kept_even_where_it_is_suspect(content: bytes, value: float) -> None:
    assert decode(content, probe="T") == Sample("T", value, "Cel")


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (GOOD.replace(b"YES", b"NO"), Absence.BAD_CHECKSUM),
        (GOOD.replace(b"91 01", b"91 11"), Absence.BAD_CHECKSUM),
        (GOOD.replace(b"70 : crc=70", b"71 : crc=71"), Absence.BAD_CHECKSUM),
        (b"", Absence.NO_ANSWER),  # what Linux 6.1 gives for one whose wire was cut
        (GOOD[:40], Absence.UNREADABLE),
        (GOOD.replace(b"t=25062", b"t="), Absence.UNREADABLE),
        (b"\xff\xfe\n\x00", Absence.UNREADABLE),
        (b"00 " * 9 + b": crc=00 YES\n" + b"00 " * 9 + b"t=0\n", Absence.UNREADABLE),
    ],
)
def test_what_can_not_be_trusted_is_missing(content: bytes, why: Absence) -> None:
    got = decode(content, probe="T")
    assert isinstance(got, Missing)
    assert got.why is why


@given(st.data())
def test_one_flipped_bit_in_the_memory_is_noticed(data: st.DataObject) -> None:
    memory = bytearray.fromhex("91014b467fff0c1070")
    bit = data.draw(st.integers(0, 71))
    memory[bit // 8] ^= 1 << bit % 8
    text = memory.hex(" ").encode()
    got = decode(text + b" : crc=70 YES\n" + text + b" t=25062\n", probe="T")
    assert isinstance(got, Missing)
    assert got.why is Absence.BAD_CHECKSUM


@given(st.binary(max_size=200))
def test_no_bytes_break_the_decoder(noise: bytes) -> None:
    assert isinstance(decode(noise, probe="T"), Missing)


UNDERFED = POWER_ON.replace(b"50 05", b"ff 07").replace(b"85000", b"127937")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (POWER_ON, "its 85 degC is what it holds after power-up (50 05 4b 46 7f ff 0c 10 1c)"),
        (
            UNDERFED.replace(b"1c", b"%02x" % crc8(bytes.fromhex("ff074b467fff0c10"))),
            "its 127.94 degC is what it holds after power-up",
        ),
    ],
)
def test_a_thermometer_without_supply_is_missing_with_what_it_held(
    tmp_path: Path, content: bytes, says: str
) -> None:
    # Linux, Documentation/w1/slaves/w1_therm.rst (read): the values, and byte 6 = 0x0C.
    tree(tmp_path, w_28_000005e2fdc3=content)
    bus = onewire.open_bus(settings({"T air": {"id": AIR}}, root=tmp_path))
    (got,) = bus.poll(["T air"])
    assert isinstance(got, Missing)
    assert got.why is Absence.REFUSED
    assert says in got.detail


def test_a_thermometer_whose_supply_comes_back_is_read_again_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = [POWER_ON, GOOD, POWER_ON, POWER_ON, GOOD]
    monkeypatch.setattr(onewire, "read_bytes", lambda path: contents.pop(0))
    bus = onewire.open_bus(settings({"T air": {"id": AIR}}, root=tmp_path))
    assert list(bus.poll(["T air"])) == [Sample("T air", 25.062, "Cel")]
    (underfed,) = bus.poll(["T air"])
    assert isinstance(underfed, Missing)
    assert contents == [GOOD]  # once more, and no oftener: the others wait meanwhile


def test_thermometers_are_found_by_their_number(tmp_path: Path) -> None:
    tree(tmp_path, w_28_0316a2795c13=GOOD, w_28_000005e2fdc3=HOT)
    bus = onewire.open_bus(
        settings({"T layer": {"id": LAYER}, "T air": {"id": AIR}}, root=tmp_path)
    )
    assert bus.describe() == f"2 of 2 thermometers under {tmp_path}"
    assert list(bus.poll(["T air", "T layer"])) == [
        Sample("T air", 85.0, "Cel"),
        Sample("T layer", 25.062, "Cel"),
    ]
    bus.close()
    bus.close()


def test_a_missing_thermometer_leaves_the_others_and_may_come_back(tmp_path: Path) -> None:
    tree(tmp_path, w_28_0316a2795c13=GOOD)
    bus = onewire.open_bus(
        settings({"T layer": {"id": LAYER}, "T air": {"id": AIR}}, root=tmp_path)
    )
    assert bus.describe() == f"1 of 2 thermometers under {tmp_path}"
    there, gone = list(bus.poll(["T layer", "T air"]))
    assert there == Sample("T layer", 25.062, "Cel")
    assert gone == Missing(
        "T air",
        Absence.NO_ANSWER,
        f"no thermometer {AIR} under {tmp_path}: check its wires and its supply",
    )
    tree(tmp_path, w_28_000005e2fdc3=HOT)
    assert list(bus.poll(["T air"])) == [Sample("T air", 85.0, "Cel")]


def test_a_file_that_can_not_be_read_is_missing(tmp_path: Path) -> None:
    (tmp_path / AIR / "w1_slave").mkdir(parents=True)  # reading it fails with an OSError
    bus = onewire.open_bus(settings({"T air": {"id": AIR}}, root=tmp_path))
    (got,) = list(bus.poll(["T air"]))
    assert isinstance(got, Missing)
    assert got.why is Absence.NO_ANSWER


def test_a_kernel_without_1_wire_is_a_bus_error(tmp_path: Path) -> None:
    with pytest.raises(BusError, match=r"nowhere: there is no such folder.*dtoverlay=w1-gpio"):
        onewire.open_bus(settings({"T": {"id": AIR}}, root=tmp_path / "nowhere"))


def test_a_bus_that_vanishes_is_a_bus_error(tmp_path: Path) -> None:
    root = tree(tmp_path / "devices", w_28_000005e2fdc3=GOOD)
    bus = onewire.open_bus(settings({"T air": {"id": AIR}}, root=root))
    root.rename(tmp_path / "elsewhere")
    with pytest.raises(BusError, match="there is no such folder"):
        list(bus.poll(["T air"]))


def test_a_thermometer_the_kernel_hangs_over_leaves_the_others_and_may_come_back(
    tmp_path: Path,
) -> None:
    """A pipe nobody writes to is a file whose reading never ends."""
    tree(tmp_path, w_28_0316a2795c13=GOOD)
    hung = tmp_path / AIR / "w1_slave"
    hung.parent.mkdir()
    os.mkfifo(hung)
    bus = onewire.open_bus(
        settings({"T layer": {"id": LAYER}, "T air": {"id": AIR}}, root=tmp_path)
    )
    threads = threading.active_count()
    for says in ("no answer for 5 s", "still owes the answer", "still owes the answer"):
        air, layer = list(bus.poll(["T air", "T layer"]))
        assert isinstance(air, Missing)
        assert air.why is Absence.NO_ANSWER
        assert says in air.detail
        assert layer == Sample("T layer", 25.062, "Cel")
        assert threading.active_count() == threads + 1  # not one more each time
    with hung.open("wb") as pipe:
        pipe.write(HOT)
    wait_for(lambda: threading.active_count() == threads, what="the hung read to come back")
    hung.unlink()
    hung.write_bytes(HOT)
    assert list(bus.poll(["T air"])) == [Sample("T air", 85.0, "Cel")]
