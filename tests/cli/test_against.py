"""`longsoak against`, run as a user runs it."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.core.knownvalues import Known, checks_of, held_against
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import KNOWN, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Reading
from processes import longsoak, running
from whole.thermorig import lay_out


def read_for_ten_minutes(rig_file: Path, of: Callable[[float], float]) -> None:
    with kept(rig_file) as record:
        for ago in range(600, 30, -30):
            record.scan({"T1": of(ago)}, ago=ago)


def test_ice_water_is_held_against_zero_and_kept(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    read_for_ten_minutes(rig_file, lambda ago: 0.30 + 0.02 * (ago % 60 == 0))
    ice = ("--value", "0", "--uncertainty", "0.05")
    told = longsoak("against", rig_file, "T1", *ice, "--by", "mk", "--minutes", "12")
    assert told.stderr == ""
    assert "Against a known value, 0.00 °C: read 0.3" in told.stdout
    with running(rig_file) as run:  # which keeps what waits for it
        run.says("kept as number 1")
        assert run.stop() == 0, run.log
    (check,) = json.loads(longsoak("against", rig_file, "--json").stdout)
    assert (check["kind"], check["subject"], check["moved"]) == (KNOWN, "T1", None)
    assert check["content"]["off"] == pytest.approx(0.31, abs=0.1)
    listed = longsoak("against", rig_file).stdout.splitlines()
    assert listed[1].split()[:2] == ["1", "T1"]
    assert longsoak("note", rig_file, "--json").stdout.count('"known value"') == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("T1",), "Say what it is held against, with --salt or with --value."),
        (("T1", "--value", "0"), "--value needs --uncertainty, and nothing else does."),
        (("T1", "--salt", "water"), "T1 is no humidity probe. Nothing was kept."),
        (("T9", "--salt", "water"), "There is no probe 'T9' on this rig. Nothing was kept."),
        (
            ("T1", "--value", "0", "--uncertainty", "0.1", "--minutes", "0.2"),
            "0 readings with a value came in that time, expected 5 or more: look further back "
            "with --minutes. Nothing was kept.",
        ),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, options: tuple[str, ...], says: str) -> None:
    rig_file = lay_out(tmp_path)
    read_for_ten_minutes(rig_file, lambda _: 20.0)
    told = longsoak("against", rig_file, *options)
    assert told.returncode == 2
    assert says in told.stderr


def test_nothing_was_held_against_anything_yet(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    read_for_ten_minutes(rig_file, lambda _: 20.0)
    assert longsoak("against", rig_file).stdout == (
        "No probe was held against a known value yet.\n"
    )


def readings(values: list[float]) -> list[Reading]:
    return [Reading("RH", i, v, "%", v, 1.0, Flag.PASS, Reason.NONE) for i, v in enumerate(values)]


def test_a_sensor_agrees_within_twice_what_both_are_known_to() -> None:
    """Computed: 2 sqrt(1.0^2 + 0.5^2) = 2.236 % RH."""
    known = Known(75.3, 0.5, "saturated sodium chloride")
    good = held_against(readings([77.5] * 9), known)
    assert good.good
    assert good.allowed == pytest.approx(2.236, abs=1e-3)
    assert not held_against(readings([77.6] * 9), known).good


def test_a_sensor_that_still_moves_is_not_judged() -> None:
    known = Known(75.3, 0.5, "saturated sodium chloride")
    with pytest.raises(RequestError, match="It still moves, by"):
        held_against(readings([70.0 + i for i in range(9)]), known)


def test_how_far_an_offset_moved_is_counted_from_the_first_of_its_sort() -> None:
    def entry(number: int, off: float, against: str) -> LogbookEntry:
        content: dict[str, Json] = {"off": off, "allowed": 2.0, "against": against}
        subject = Subject(About.PROBE, "RH")
        return LogbookEntry(
            asked_utc_ms=0, at_utc_ms=0, by="mk", says="", kind=KNOWN,
            subject=subject, content=content, number=number,
        )  # fmt: skip

    found = checks_of([entry(3, 2.5, "a"), entry(2, 9.0, "b"), entry(1, 1.0, "a")])
    assert [each.moved for each in found] == [None, None, 1.5]
