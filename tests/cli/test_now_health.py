"""What `longsoak now` says of the health of probes, over a record kept by the shipped writer."""

import json
from pathlib import Path

from cli.keeping import kept
from longsoak.core.quality.day import Day
from longsoak.core.quality.health import ClosedDay
from longsoak.store.health import HealthMemory, HealthNews
from longsoak.vocabulary.health import Fault, Finding
from processes import longsoak
from whole.thermorig import lay_out

GOOD = {"T0": 20.04, "T1": 21.0, "T2": 22.0, "T3": 23.0}
STEP = Finding(
    "T1",
    Fault.STEP,
    1_777_852_800_000,
    1_777_939_200_000,
    "T1: went 2.0 °C more than T0, T2 and T3 within a day, 4 May 2026",
    against=("T0", "T2", "T3"),
    figures={"change": 2.0},
)


def told(rig_file: Path, *options: str, found: tuple[Finding, ...] = ()) -> str:
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        every = next(p.every for p in record.rig.probes if p.name == "T1")
        in_a_day = round(86_400 / every)
        days = [ClosedDay("T1", Day(20_000 + n, 21.0, 0.01, in_a_day, in_a_day)) for n in range(3)]
        memory = HealthMemory(1, None, b"")
        record.writer.keep_health(HealthNews(memory, list(found), [], days))
        return longsoak("now", rig_file, *options).stdout


def test_before_anything_was_judged_it_does_not_say_that_all_is_well(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.scan(GOOD, ago=1)
        assert "Health: nothing was judged yet." in longsoak("now", rig_file).stdout


def test_while_nothing_was_found_it_is_a_line(tmp_path: Path) -> None:
    assert "Health: nothing was found against any probe." in told(lay_out(tmp_path))


def test_a_probe_in_doubt_is_told_in_the_line_and_with_its_sentence(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    said = told(rig_file, found=(STEP,))
    assert "Health: 1 probe in doubt; --health says which and why." in said
    health = longsoak("now", rig_file, "--health").stdout
    rows = {line.split()[0]: " ".join(line.split()) for line in health.splitlines() if line}
    assert rows["T1"] == (
        "T1 24 of 24 h 72 of 72 h 72 of 72 h stepped away from its neighbours never proven pass"
    )
    assert rows["T0"] == "T0 no day yet no day yet no day yet nothing found never proven pass"
    assert health.splitlines()[-1] == f"Doubt: {STEP.says}."


def test_programs_are_told_all_of_it(tmp_path: Path) -> None:
    picture = json.loads(told(lay_out(tmp_path), "--json", found=(STEP,)))
    first, second, *_ = picture["health"]
    assert (first["probe"], first["good_hours"]["whole_test"], first["found"]) == ("T0", None, [])
    assert second["good_hours"]["last_week"] == {"good": 72, "of": 72}
    (found,) = second["found"]
    assert found == {
        "fault": "stepped away from its neighbours",
        "since": "2026-05-04T00:00:00.000Z",
        "found": "2026-05-05T00:00:00.000Z",
        "says": STEP.says,
        "against": ["T0", "T2", "T3"],
        "figures": {"change": 2.0},
    }
