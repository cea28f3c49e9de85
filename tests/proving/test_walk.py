"""A walk against a real `longsoak run` that reads thermometers."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event

import pytest

from longsoak.core.proof.book import RIG, Why
from longsoak.proving.walk import PATIENCE, Walk
from longsoak.service.clock import SystemClock
from longsoak.service.drivers import load_rig
from longsoak.store.files import folder_of, recording
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.proof import Outcome, Step
from processes import running
from waiting import wait_for
from whole.thermorig import lay_out, show


def walker(rig_file: Path, *, wait: Callable[[float], object] | None = None) -> Walk:
    rig, _ = load_rig(rig_file)
    return Walk(
        Record(folder_of(rig_file)),
        rig,
        by="mk",
        now_ms=SystemClock().utc_ms,
        wait=wait or Event().wait,
    )


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    rig_file = lay_out(tmp_path_factory.mktemp("walk"), probes=2)
    text = rig_file.read_text().replace("every = 0.2", "every = 900")  # only a closer look reads it
    rig_file.write_text(text)
    with running(rig_file) as run:
        run.says("open:")
        wait_for(lambda: Record(folder_of(rig_file)).last_utc_ms(), what="a first scan")
        yield rig_file
        assert run.stop() == 0


def test_a_channel_is_looked_at_closer_judged_and_kept(rig_file: Path) -> None:
    walk = walker(rig_file)
    proof = walk.begin(Why.BEFORE, steps=[Step.READS], probes=["T0"], software="1")
    assert walk.book().to_do(proof) == ((Step.READS, "T0"),)
    looked = walk.look(["T0"], count=3)["T0"]
    assert [reading.value for reading in looked] == [20.0] * 3
    finding = walk.judge_readings(Step.READS, walk.rig.probes[0], looked)
    assert finding.outcome is Outcome.GOOD
    assert "2 of 2 thermometers" in str(finding.content["instrument"])
    walk.keep(proof.name, Step.READS, "T0", finding)
    end = walk.finish(proof)
    assert (end.outcome, end.says) == (Outcome.GOOD, "1 channel: 1 proven, by reads alone")
    kept = walk.book().called(proof.name)
    assert kept is not None
    assert [entry.step for entry in kept.entries.values()] == [Step.BEGIN, Step.READS, Step.FINISH]
    assert {entry.by for entry in kept.entries.values()} == {"mk"}
    assert walk.book().under_way is None


def test_a_sensor_that_is_gone_is_bad(rig_file: Path) -> None:
    walk = walker(rig_file)
    device = next(path for path in (rig_file.parent / "w1").iterdir() if path.name.endswith("1"))
    shown = device / "w1_slave"
    text = shown.read_text()
    shown.write_text(text.replace("YES", "NO"))
    try:
        looked = walk.look(["T1"], count=3)["T1"]
    finally:
        show(rig_file.parent, 1, 21.0)
    finding = walk.judge_readings(Step.READS, walk.rig.probes[1], looked)
    assert finding.outcome is Outcome.BAD
    assert "0 of 3 polls were answered" in finding.says


def test_what_is_left_out_needs_a_reason(rig_file: Path) -> None:
    walk = walker(rig_file)
    proof = walk.begin(Why.REPAIR, steps=[Step.READS], probes=["T0"])
    with pytest.raises(RequestError, match="Say why it is left out"):
        walk.leave_out(proof.name, Step.READS, "T0", reason=" ")
    walk.leave_out(proof.name, Step.READS, "T0", reason="behind the liner")
    kept = walk.book().called(proof.name)
    assert kept is not None
    found = kept.newest(Step.READS, "T0")
    assert found is not None
    assert (found.outcome, found.says) == (Outcome.LEFT_OUT, "behind the liner")
    assert walk.finish(proof).outcome is Outcome.BAD  # nothing was measured of it
    assert kept.newest(Step.BEGIN, RIG) is not None


def test_a_probe_the_running_rig_does_not_have_is_refused(rig_file: Path) -> None:
    with pytest.raises(RequestError, match="no probe 'T9'"):
        walker(rig_file).closer(["T9"], seconds=5)


def test_a_step_that_takes_more_than_one_channel_is_not_judged_by_it(rig_file: Path) -> None:
    walk = walker(rig_file)
    with pytest.raises(RequestError, match="'touch' can't be judged"):
        walk.judge_readings(Step.TOUCH, walk.rig.probes[0], [])


def test_a_walk_without_a_measuring_process_says_so(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, probes=1)
    with running(rig_file) as run:
        run.says("open:")
        assert run.stop() == 0
    assert not recording(folder_of(rig_file))
    waited: list[float] = []
    began = time.monotonic()
    with pytest.raises(StoreError, match="longsoak run"):
        walker(rig_file, wait=waited.append).closer(["T0"], seconds=5)
    assert sum(waited) == pytest.approx(PATIENCE, abs=0.2)
    assert time.monotonic() - began < PATIENCE  # it waits by the callable it was given
