"""Rig files, good and broken, and what is said of them."""

import pickle
from datetime import date
from pathlib import Path

import pytest

from longsoak.rigfile.kinds import DEFAULTS
from longsoak.rigfile.load import load, parse
from longsoak.rigfile.outletchecks import rate_for
from longsoak.vocabulary.destinations import Database, Mail, Mqtt, MqttVersion
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.rig import Boundary, Kind, Layer, Material, Probe, Quantity, Reservoir, Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
BROKEN = sorted((HERE / "broken").glob("*.toml"))


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(HERE / "good.toml", find_kind=find_kind)


def mistakes_in(text: str) -> str:
    with pytest.raises(RigFileError) as caught:
        parse(text, file="rig.toml", find_kind=find_kind)
    return str(caught.value)


@pytest.mark.parametrize("file", BROKEN, ids=lambda file: file.stem)
def test_a_broken_file_is_told_exactly_what_is_wrong(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(file.parent)

    with pytest.raises(RigFileError) as caught:
        load(Path(file.name), find_kind=find_kind)

    assert f"{caught.value}\n" == file.with_suffix(".txt").read_text(encoding="utf-8")


def test_there_is_a_message_for_every_broken_file_and_no_other() -> None:
    told = {file.stem for file in (HERE / "broken").glob("*.txt")}

    assert told == {file.stem for file in BROKEN}
    assert len(told) >= 10


def test_mistakes_of_all_sorts_are_told_at_once_and_in_the_order_of_the_file() -> None:
    text = (HERE / "broken" / "many_at_once.toml").read_text(encoding="utf-8")

    with pytest.raises(RigFileError) as caught:
        parse(text, file="rig.toml", find_kind=find_kind)

    lines = [mistake.line for mistake in caught.value.mistakes]
    assert len(lines) >= 5
    assert lines == sorted(lines)
    # Each stands on the line that has to be changed, or that heads the table that lacks a key.
    for mistake in caught.value.mistakes:
        key = mistake.field.rpartition(".")[2]
        line = text.splitlines()[mistake.line - 1]
        assert key in line or str(mistake.found) == "missing"


def test_a_mistake_can_be_taken_apart_and_sent_to_another_process() -> None:
    with pytest.raises(RigFileError) as caught:
        parse(GOOD.replace("depth = 85", "depth = 500"), file="rig.toml", find_kind=find_kind)

    [mistake] = pickle.loads(pickle.dumps(caught.value)).mistakes
    assert (mistake.file, mistake.field, mistake.found) == ("rig.toml", "probes[3].depth", 500)
    assert "depth = 85" in GOOD.splitlines()[mistake.line - 1]


def test_the_specimen_comes_out_as_the_file_has_it(rig: Rig) -> None:
    assert (rig.name, rig.invented, rig.start) == ("render pair", True, date(2026, 5, 4))
    assert rig.page == "http://shop-pi.local:8460/"
    specimen = rig.specimen
    assert (specimen.height, specimen.width, specimen.underside) == (420, 1200, 110)
    assert (specimen.edges.top, specimen.edges.bottom) == (Boundary.SEALED, Boundary.OPEN)
    assert (specimen.edges.left, specimen.edges.right) == (Boundary.GUARDED, Boundary.GUARDED)
    assert specimen.between_bays == (Boundary.SEALED,)
    assert [(bay.name, bay.start, bay.end, bay.thickness) for bay in specimen.bays] == [
        ("cork-lime", 0, 600, 240),
        ("plain lime", 600, 1200, 240.5),
    ]
    assert specimen.bays[0].layers[0] == Layer("cork-lime render", Material.CORK, 60)


def test_reservoir_and_buses_come_out_as_the_file_has_them(rig: Rig) -> None:
    assert rig.reservoir == Reservoir(
        name="catch tray",
        level="water level",
        float_switch="high float",
        depth_table=((0, 0), (50, 20.4), (150, 61.2)),
        length=1200,
        breadth=340,
        rim=150,
        stop=100,
        pump_needs=25,
    )
    assert [(bus.name, bus.driver) for bus in rig.buses] == [
        ("meter", "card"),
        ("air", "registers"),
        ("tray", "converter"),
    ]
    assert rig.buses[0].options == {"port": "/dev/serial/by-id/usb-meter", "timeout": 5}


def test_probes_come_out_with_their_defaults_filled_in(rig: Rig) -> None:
    probes = {probe.name: probe for probe in rig.probes}

    assert probes["C 30/60"] == Probe(
        name="C 30/60",
        kind=Kind.PINS,
        bus="meter",
        address={"channel": 110},
        every=600,
        record=600,
        resolution=0,
        bay="cork-lime",
        depth=30,
        height=60,
        across=250,
        curve="Douglas-fir (coast)",
        temperatures=("T cork-lime",),
        quantity=Quantity.WOOD_EQUIVALENT,
    )
    assert probes["P 30/60"].every == probes["P 30/60"].record == 900
    assert probes["P 30/60"].across == 900, "the middle of a bay from 600 to 1200"
    assert probes["T air"].across is None
    assert probes["meter reference"].nominal == 10e6
    level = probes["water level"]
    assert (level.every, level.record, level.resolution) == (5, 120, 1)
    assert (level.zero, level.per_unit) == (-20, 0.1)
    switch = probes["high float"]
    assert (switch.every, switch.record, switch.resolution, switch.trips_at) == (1, 300, 1, 105)
    flow = probes["drip rail"]
    assert (flow.every, flow.record, flow.resolution, flow.runs_from) == (10, 30, 0.1, 0.4)
    assert (flow.zero, flow.per_unit, flow.unit_words) == (-0.5, 0.002, "L/min")
    pump = probes["pump"]
    assert (pump.every, pump.record, pump.resolution, pump.runs_from) == (10, 60, 0.05, 0.3)


# Common practice for months, as the project's first plan sets it: pins 15 min, air 1 min, level
# 5 s and kept once a minute, float within a second; flow and pump current every 10 s.
@pytest.mark.parametrize(
    ("kind", "every", "record", "resolution"),
    [
        (Kind.PINS, 900, None, 0),
        (Kind.REFERENCE, 900, None, 0),
        (Kind.HUMIDITY, 60, None, 0),
        (Kind.TEMPERATURE, 60, None, 0),
        (Kind.LEVEL, 5, 60, 0.5),
        (Kind.FLOAT, 1, 300, 1),
        (Kind.FLOW, 10, 60, 0.2),
        (Kind.PUMP_CURRENT, 10, 60, 0.05),
        (Kind.POLARISATION, 3600, None, 0),
        (Kind.BUTTON, 0.2, 3600, 1),
    ],
)
def test_poll_periods_suit_months(
    kind: Kind, every: float, record: float | None, resolution: float
) -> None:
    defaults = DEFAULTS[kind]

    assert (defaults.every, defaults.record, defaults.resolution) == (every, record, resolution)


def test_a_level_polled_slower_than_it_is_usually_kept_is_kept_on_every_poll() -> None:
    text = GOOD.replace("record = 120", "every = 200")

    level = next(
        probe
        for probe in parse(text, file="rig.toml", find_kind=find_kind).probes
        if probe.kind is Kind.LEVEL
    )

    assert (level.every, level.record) == (200, 200)


def test_outlets_come_out_with_their_defaults_filled_in(rig: Rig) -> None:
    assert rig.mail == Mail(
        "localhost",
        2525,
        "rig@example.org",
        ("keeper@example.org",),
        starttls=True,
        user="rig",
        password_file="/etc/longsoak/mail",  # noqa: S106 - a path
    )
    assert rig.mqtt == Mqtt("localhost", 1883, "longsoak/render-pair", None, None)
    assert rig.database == Database(
        "http://localhost:8428", "shop", "rig", "/etc/longsoak/token", 90
    )


BROKER = '[notices.mqtt]\nhost = "localhost"\nprefix = "longsoak/render-pair"\n'


def test_readings_go_to_the_broker_of_notices_encrypted_and_as_fast_as_said() -> None:
    more = (
        BROKER + 'version = "3.1.1"\ntls = true\nca_file = "ca.pem"\n'
        'certificate_file = "rig.pem"\nkey_file = "rig.key"\n[forward.mqtt]\nrate = 50\n'
    )
    rig = parse(GOOD.replace(BROKER, more), file="rig.toml", find_kind=find_kind)
    assert rig.mqtt == Mqtt(
        "localhost",
        8883,
        "longsoak/render-pair",
        None,
        None,
        version=MqttVersion.V3_1_1,
        tls=True,
        ca_file="ca.pem",
        certificate_file="rig.pem",
        key_file="rig.key",
        readings=50,
    )


def test_readings_go_faster_than_they_are_measured_unless_the_file_says() -> None:
    usual = parse(
        GOOD.replace(BROKER, BROKER + "[forward.mqtt]\n"), file="rig.toml", find_kind=find_kind
    )
    assert usual.mqtt is not None
    assert usual.mqtt.readings == 200
    assert rate_for(150.5) == 302


def test_bays_may_stand_in_any_order_in_the_file(rig: Rig) -> None:
    first, second = GOOD.index("[[bays]]"), GOOD.index("[[bays]]", GOOD.index("[[bays]]") + 1)
    end = GOOD.index("[reservoir]")
    swapped = GOOD[:first] + GOOD[second:end] + GOOD[first:second] + GOOD[end:]

    assert parse(swapped, file="rig.toml", find_kind=find_kind).specimen == rig.specimen


def test_without_drivers_a_stored_file_still_reads_the_same(rig: Rig) -> None:
    assert parse(GOOD, file="rig.toml", find_kind=None) == rig


def test_without_drivers_their_options_and_addresses_are_not_looked_at() -> None:
    text = GOOD.replace('driver = "card"', 'driver = "gone"').replace("channel = 110", "slot = 9")

    rig = parse(text, file="rig.toml", find_kind=None)

    assert rig.probes[0].address == {"slot": 9}


def test_two_names_of_one_port_are_one_port(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("ttyUSB0").write_text("")
    Path("by-id").mkdir()
    Path("by-id/usb-meter").symlink_to("../ttyUSB0")
    text = GOOD.replace("/dev/serial/by-id/usb-meter", "by-id/usb-meter")
    text = text.replace("/dev/serial/by-id/usb-air", "ttyUSB0")
    lines = text.splitlines()
    first, second = (lines.index(f'port = "{name}"') + 1 for name in ("by-id/usb-meter", "ttyUSB0"))

    assert mistakes_in(text) == (
        f"rig.toml:{second}: buses[1].port is 'ttyUSB0', expected a port that no other bus has "
        f"(bus \"meter\" has it as 'by-id/usb-meter', line {first}). "
        'Give bus "air" another port, or put its probes on the other bus.'
    )


def test_a_misspelt_bus_of_a_probe_is_not_also_a_bus_without_a_probe() -> None:
    text = GOOD.replace('bus = "tray"', 'bus = "trya"')

    assert "expected a bus that at least one probe is on" not in mistakes_in(text)
    assert "probes[" in mistakes_in(text)


def test_a_record_made_before_a_check_of_its_buses_can_still_be_read() -> None:
    spare = '[[buses]]\nname = "spare"\ndriver = "card"\nport = "/dev/serial/by-id/usb-air"\n'

    rig = parse(GOOD + spare, file="rig.toml", find_kind=None)

    assert [bus.name for bus in rig.buses] == ["meter", "air", "tray", "spare"]


def test_a_file_that_is_not_there_is_one_mistake_on_no_line(tmp_path: Path) -> None:
    with pytest.raises(RigFileError) as caught:
        load(tmp_path / "rig.toml", find_kind=find_kind)

    assert str(caught.value) == (
        f"{tmp_path}/rig.toml: the file is not there, expected a rig file this user may read. "
        "Correct its name, or go to the folder it lies in."
    )


def test_a_folder_is_no_rig_file(tmp_path: Path) -> None:
    with pytest.raises(RigFileError) as caught:
        load(tmp_path, find_kind=find_kind)

    assert str(caught.value) == (
        f"{tmp_path}: the file is a folder, expected a rig file this user may read. "
        f"Name the file in it, for example {tmp_path}/rig.toml."
    )


def test_a_name_that_goes_on_behind_a_file_leads_nowhere(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("")
    with pytest.raises(RigFileError, match="the file is not there"):
        load(tmp_path / "notes" / "rig.toml", find_kind=find_kind)


def test_text_in_another_encoding_is_one_mistake_on_its_line(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_bytes("[rig]\nname = 'Gerüst'\n".encode("latin-1"))

    with pytest.raises(RigFileError) as caught:
        load(file, find_kind=find_kind)

    assert str(caught.value) == (
        f"{file}:2: the file is text with the byte 0xfc, expected text in UTF-8. "
        "Save the file as UTF-8."
    )


def test_an_editor_that_marks_its_utf_8_or_ends_lines_twice_does_no_harm(
    tmp_path: Path, rig: Rig
) -> None:
    file = tmp_path / "rig.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())

    assert load(file, find_kind=find_kind) == rig


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = 1\nb = = 2\n", 2),
        ("a = 1\nb = [1,\n", 3),
        ("a = 1\na = 2\n", 2),
        ("[[[[", 1),
        ("a = " + "9" * 5000, 1),
        ("a = " + "[" * 5000, 1),
        ("a = 2026-02-31", 1),
    ],
    ids=["two signs", "open list", "key twice", "brackets", "long number", "deep", "no such day"],
)
def test_what_is_no_toml_is_one_mistake_on_its_line(text: str, line: int) -> None:
    with pytest.raises(RigFileError) as caught:
        parse(text, file="rig.toml", find_kind=find_kind)

    [mistake] = caught.value.mistakes
    assert mistake.line == line


def test_a_secret_in_the_wrong_place_is_not_repeated() -> None:
    text = GOOD.replace('user = "rig"', 'password = "hunter two"')

    said = mistakes_in(text)

    assert "notices.mail.password is an unknown key" in said
    assert "Did you mean password_file?" in said
    assert "hunter" not in said


def test_a_name_that_a_faulty_table_has_is_no_second_mistake() -> None:
    text = GOOD.replace('driver = "card"', "driver = 7").replace("depth = 85", 'depth = "85"')

    assert mistakes_in(text).count("\n") == 1


def test_a_table_without_a_name_is_not_missed_by_those_that_name_it() -> None:
    text = GOOD.replace('name = "air"\n', "")

    assert mistakes_in(text).count("\n") == 0


def test_two_buses_may_each_have_a_probe_at_the_same_address() -> None:
    text = GOOD.replace("channel = 109", "channel = 110")
    second = '[[buses]]\nname = "spare"\ndriver = "card"\nport = "/dev/ttyUSB9"\n\n[[probes]]'
    apart = text.replace("[[probes]]", second, 1).replace('bus = "meter"', 'bus = "spare"', 1)

    assert "an address that no other probe" in mistakes_in(text)
    assert parse(apart, file="rig.toml", find_kind=find_kind).probes[0].bus == "spare"


def test_a_default_left_out_is_the_same_address_as_one_written() -> None:
    text = GOOD.replace("device = 3, discrete = 0", "device = 1, input = 0, scale = 0.1")
    written = text.replace("input = 0, scale = 0.1 }", 'input = 0, scale = 0.1, order = "big" }', 1)

    assert "an address that no other probe" in mistakes_in(written)


def test_a_number_too_long_to_print_is_named_without_it() -> None:
    said = mistakes_in(GOOD.replace("depth = 85", f"depth = 0x{'f' * 5000}"))

    assert "probes[3].depth is a whole number of more than 18 digits" in said


def test_a_deeply_nested_value_in_the_wrong_place_is_still_told() -> None:
    said = mistakes_in(GOOD.replace("depth = 85", f"depth = {'[' * 90}{']' * 90}"))

    assert "probes[3].depth is [[[[" in said
