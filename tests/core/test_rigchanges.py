"""What is said of two versions of a rig file."""

from dataclasses import replace

from longsoak.core.rigchanges import PARTS, changes_words
from longsoak.vocabulary.rig import Bus, Probe, Rig
from rigs import small_rig


def with_probe(rig: Rig, name: str, **changes: object) -> Rig:
    """The rig with one probe changed."""
    probes = tuple(replace(p, **changes) if p.name == name else p for p in rig.probes)  # type: ignore[arg-type]  # any field of it
    return replace(rig, probes=probes)


def test_of_the_same_rig_it_says_that_no_setting_has_changed() -> None:
    assert changes_words(small_rig(), small_rig()).startswith("No setting has changed")


def test_probes_that_come_go_and_move_are_told_by_name() -> None:
    rig = small_rig()
    moved = with_probe(rig, "C 30/60", depth=35.0)
    more = replace(rig.probes[0], name="C 20/60", depth=20.0)
    after = replace(moved, probes=(*(p for p in moved.probes if p.name != "T core"), more))
    assert changes_words(rig, after) == (
        "1 probe added: C 20/60. 1 probe removed: T core. 1 probe moved: C 30/60."
    )


def test_a_period_is_told_with_the_one_before() -> None:
    rig = small_rig()
    assert changes_words(rig, with_probe(rig, "T core", every=30.0, record=30.0)) == (
        "1 period changed: T core every 30 s (60 s before)."
    )
    assert changes_words(rig, with_probe(rig, "water level", record=120.0)) == (
        "1 period changed: water level kept every 120 s (60 s before)."
    )


def test_wires_and_conversion_are_told_apart_from_periods() -> None:
    rig = small_rig()
    assert changes_words(rig, with_probe(rig, "T core", address={"id": "x"})) == (
        "Bus or address changed of T core."
    )
    assert changes_words(rig, with_probe(rig, "water level", zero=-21.0)) == (
        "How it is read or converted changed of water level."
    )


def test_a_level_of_an_alarm_is_told_with_the_one_before() -> None:
    rig = small_rig()
    overfill, silent = rig.alarms
    after = replace(rig, alarms=(replace(overfill, setpoint=95.0), silent))
    assert changes_words(rig, after) == (
        "1 level of alarms changed: water above the stop line, water level, at 95 mm "
        "(100 mm before)."
    )


def test_alarms_that_come_and_go_by_themselves_are_told_and_those_of_probes_are_not() -> None:
    rig = small_rig()
    overfill, _ = rig.alarms
    assert changes_words(rig, replace(rig, alarms=(overfill,))) == (
        "1 alarm removed: C 30/60 is silent."
    )
    without = replace(
        rig, alarms=(overfill,), probes=tuple(p for p in rig.probes if p.name != "C 30/60")
    )
    assert changes_words(rig, without) == "1 probe removed: C 30/60."
    assert changes_words(without, rig) == "1 probe added: C 30/60."


def test_other_words_of_an_alarm_are_told_unless_its_probe_has_changed_too() -> None:
    rig = small_rig()
    overfill, silent = rig.alarms
    after = replace(rig, alarms=(overfill, replace(silent, cause="A mouse.")))
    assert changes_words(rig, after) == "1 alarm changed otherwise: C 30/60 is silent."
    assert changes_words(rig, with_probe(after, "C 30/60", height=70.0)) == (
        "1 probe moved: C 30/60."
    )


def test_all_other_parts_are_told_by_what_they_are() -> None:
    rig = small_rig()
    after = replace(
        rig,
        page=None,
        buses=(*rig.buses[:1], replace(rig.buses[1], options={"port": "x"}), Bus("new", "iio", {})),
        time_zone="Europe/Paris",
    )
    assert changes_words(rig, after) == (
        "1 bus added: new. 1 bus removed: tray. 1 bus changed: air. "
        "Also changed: the address of the pages, the time zone."
    )


def test_of_many_only_some_are_named() -> None:
    rig = small_rig()
    more: list[Probe] = [replace(rig.probes[0], name=f"D {n}") for n in range(9)]
    said = changes_words(rig, replace(rig, probes=(*rig.probes, *more)))
    assert said == "9 probes added: D 0, D 1, D 2, D 3, D 4, D 5 and 3 more."


def test_no_part_of_a_rig_is_left_out() -> None:
    """A field that is new in `Rig` has to be told of too."""
    told = set(PARTS) | {"name", "probes", "alarms"}
    assert told == set(Rig.__dataclass_fields__)
