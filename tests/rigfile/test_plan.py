"""The wiring plan."""

from dataclasses import replace
from pathlib import Path

from longsoak.core.cautions import cautions
from longsoak.rigfile.load import load, parse
from longsoak.rigfile.plan import COLUMNS, address_words, wiring_plan
from pinkinds import KINDS, WORDS, rig_of, text_of
from processes import longsoak
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")


def test_the_plan_has_a_row_for_each_probe_by_bus_then_address() -> None:
    assert COLUMNS == ("bus", "address", "probe", "place", "curve", "unit")
    assert wiring_plan(load(HERE / "good.toml", find_kind=find_kind)) == [
        (
            "meter",
            "channel 109",
            "P 30/60",
            "30 mm deep, 60 mm high, plain lime",
            "my fir",
            "% WME",
        ),
        (
            "meter",
            "channel 110",
            "C 30/60",
            "30 mm deep, 60 mm high, 250 mm across, cork-lime",
            "Douglas-fir (coast)",
            "% WME",
        ),
        ("meter", "channel 120", "meter reference", "in the scanner's plug", "", "Ω"),
        ("air", "device 1, input 0, scale 0.1", "air wet RH", "air, wet face", "", "% RH"),
        ("air", "device 1, input 1, scale 0.1", "T air", "air, wet face", "", "°C"),
        (
            "air",
            "device 2, input 1, scale 0.1",
            "T cork-lime",
            "85 mm deep, 60 mm high, cork-lime",
            "",
            "°C",
        ),
        ("air", "device 3, discrete 0", "high float", "catch tray", "", ""),
        ("tray", "channel current0", "pump", "", "", "A"),
        ("tray", "channel voltage0", "water level", "catch tray", "", "mm"),
        ("tray", "channel voltage1", "drip rail", "behind the pump", "", "L/min"),
    ]


def test_device_9_comes_before_device_10_and_words_come_after_numbers() -> None:
    text = GOOD.replace("device = 2", "device = 10").replace("device = 3", "device = 9")

    rows = wiring_plan(parse(text, file="rig.toml", find_kind=find_kind))

    assert [row[1] for row in rows if row[0] == "air"] == [
        "device 1, input 0, scale 0.1",
        "device 1, input 1, scale 0.1",
        "device 9, discrete 0",
        "device 10, input 1, scale 0.1",
    ]


def test_buses_come_in_the_order_of_the_file() -> None:
    meter, air = GOOD.index('[[buses]]\nname = "meter"'), GOOD.index('[[buses]]\nname = "air"')
    tray = GOOD.index('[[buses]]\nname = "tray"')
    swapped = GOOD[:meter] + GOOD[air:tray] + GOOD[meter:air] + GOOD[tray:]

    rows = wiring_plan(parse(swapped, file="rig.toml", find_kind=find_kind))

    assert list(dict.fromkeys(row[0] for row in rows)) == ["air", "meter", "tray"]


def test_the_plan_says_what_the_value_of_each_pair_of_pins_will_be_called(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(text_of())

    ended = longsoak("check", rig_file)

    assert ended.returncode == 0, ended.stderr
    rows = {row[2]: row[-1] for row in wiring_plan(rig_of())}
    assert {name: rows[name] for name in KINDS} == WORDS
    plan, *said = ended.stdout.rstrip().split("\n\n")
    heading, *lines = plan.splitlines()
    assert heading.endswith("  unit")
    for name, words in WORDS.items():
        (line,) = (each for each in lines if f"  {name}  " in each)
        assert line.endswith(f"  {words}")
    assert said[:-1] == [f"Caution: {words}" for words in cautions(rig_of())]
    assert said[-1].endswith("The file is good.")


def test_what_a_shipped_driver_takes_is_written_without_brackets_of_a_language() -> None:
    text = GOOD.replace(
        'address = { channel = "voltage1" }',
        'address = { channel = "voltage1", divider = { resistor = 1e6, excitation = 5 } }',
    )
    probe = next(p for p in parse(text, file="r", find_kind=None).probes if p.name == "drip rail")
    assert address_words(probe) == "channel voltage1, divider (resistor 1000000.0, excitation 5)"
    told = replace(probe, address={"line": 27, "pulses": True})
    assert address_words(told) == "line 27, pulses yes"
