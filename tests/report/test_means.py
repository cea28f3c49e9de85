"""What is read ahead, by forks or not, is what is read when it is asked for."""

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from longsoak.report.analysis import Analyst, analyst_of
from longsoak.report.beside import beside
from longsoak.report.extents import Extent
from longsoak.report.means import Means
from longsoak.report.stretches import midnights
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from pages.pagerig import NOW_MS, Wrong, make_rig
from report.test_verdicts import FIRST, WETTED, kept

DAY_MS = 86_400_000
NAMES = [probe.name for probe in make_rig().probes if probe.quantity is not None][:3]
WRONG = {
    NAMES[0]: Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT, value=None),
    NAMES[1]: Wrong(Flag.PASS, Reason.WETTER_THAN_CURVE, value=25.0),
    NAMES[2]: Wrong(Flag.SUSPECT, Reason.SHORT_CIRCUIT, value=25.0),
}


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    with kept(tmp_path_factory.mktemp("means"), "", wrong=WRONG) as rig:
        yield Record(rig.folder)


def analyst(record: Record) -> Analyst:
    found = analyst_of(record, now_ms=NOW_MS)
    assert found is not None
    return found


@pytest.mark.parametrize("name", NAMES)
def test_days_are_what_the_record_reduces_its_readings_to(record: Record, name: str) -> None:
    edges = midnights(FIRST, NOW_MS)
    told = {
        each.utc_ms: Extent(each.utc_ms, each.low, each.high, each.mean, each.wetter > 0)
        for each in record.reduced(
            [name], since_ms=edges[0], until_ms=edges[-1], buckets=len(edges) - 1
        )[name]
        if each.low is not None and each.high is not None
    }
    days = analyst(record).days(name)
    assert [each.utc_ms for each in days] == list(told)
    for each in days:
        expected = told[each.utc_ms]
        assert (each.low, each.high, each.wetter) == (expected.low, expected.high, expected.wetter)
        assert each.mean == (None if expected.mean is None else pytest.approx(expected.mean))


def test_windows_that_were_read_ahead_are_those_that_are_asked_for(record: Record) -> None:
    probes = make_rig().probes
    edges, days = tuple(range(WETTED, NOW_MS, 3_600_000)), midnights(FIRST, NOW_MS)
    alone = Means(record, probes, (), strict=True)
    together = Means(record, probes, (), strict=True)
    for name in NAMES:
        together.read(name, windows=[(FIRST, WETTED), edges], extents=[days])
        assert together.extents(name, days) == alone.extents(name, days)
        one, other = alone.windows(name, edges), together.windows(name, edges)
        assert np.isfinite(one.means).any() == (name not in NAMES[::2])
        for column in one.__slots__:
            assert np.array_equal(getattr(one, column), getattr(other, column), equal_nan=True)


def test_what_forks_look_up_is_what_one_process_does(record: Record) -> None:
    alone, helped = analyst(record), analyst(record)
    with beside(helped.look_up, helped.names) as looked_up:
        for each in looked_up():
            helped.take(each)
    assert helped.all() == alone.all()


@pytest.mark.parametrize("processors", [1, 3])
def test_results_come_in_the_order_of_what_was_asked(
    monkeypatch: pytest.MonkeyPatch, processors: int
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: processors)
    with beside(lambda n: (n * n, os.getpid()), range(20)) as results:
        found = list(results())
    assert [square for square, _ in found] == [n * n for n in range(20)]
    assert ({pid for _, pid in found} == {os.getpid()}) is (processors == 1)


@pytest.mark.parametrize("processors", [1, 2])
def test_what_goes_wrong_beside_is_told_here(
    monkeypatch: pytest.MonkeyPatch, processors: int
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: processors)

    def work(_: int) -> None:
        raise StoreError("the record can't be read")

    with pytest.raises(StoreError, match="the record can't be read"), beside(work, [1, 2]) as done:
        list(done())


def test_nothing_to_do_is_nothing_done(tmp_path: Path) -> None:
    with beside(tmp_path.joinpath, []) as done:
        assert list(done()) == []
