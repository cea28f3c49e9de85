"""Looks that show nothing new are not kept; everything else is."""

from math import nan

from longsoak.service.keeping import Keeping
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from service.benchrig import bench, scan


def kept(*scans: Scan) -> list[bool]:
    keeping = Keeping(bench())
    out = []
    for one in scans:
        out.append(keeping.wants(one))
        if out[-1]:
            keeping.kept(one)
    return out


def test_a_still_level_is_kept_once_each_record_period() -> None:
    looks = [scan(t, water_level=72.0) for t in range(0, 300, 5)]
    assert sum(kept(*looks)) == 5  # 60 s apart, from the first


def test_while_it_is_looked_at_closer_a_still_level_is_kept_each_time() -> None:
    keeping = Keeping(bench())
    keeping.kept(scan(0, water_level=72.0))
    keeping.closer(["water level"], until=10.0)
    looks = [keeping.wants(scan(t, water_level=72.0)) for t in (1, 5, 9, 11)]
    assert looks == [True, True, True, False]


def test_a_change_beyond_the_resolution_is_kept_at_once() -> None:
    looks = [scan(0, water_level=72.0), scan(5, water_level=72.3), scan(10, water_level=72.6)]
    assert kept(*looks) == [True, False, True]


def test_small_changes_add_up_to_one_that_is_kept() -> None:
    looks = [scan(t, water_level=72.0 + t * 0.02) for t in range(0, 55, 5)]
    assert kept(*looks) == [
        True,
        False,
        False,
        False,
        False,
        True,
        False,
        False,
        False,
        False,
        True,
    ]


def test_a_change_of_flag_or_of_being_there_is_kept_at_once() -> None:
    looks = [
        scan(0, water_level=72.0),
        scan(1, Flag.MISSING, Reason.NO_ANSWER, water_level=nan),
        scan(2, Flag.MISSING, Reason.NO_ANSWER, water_level=nan),
        scan(3, Flag.SUSPECT, Reason.OUT_OF_RANGE, water_level=72.0),
    ]
    assert kept(*looks) == [True, True, False, True]


def test_a_float_is_kept_on_its_edges() -> None:
    looks = [scan(t, high_float=float(t in (3, 4))) for t in range(7)]
    assert kept(*looks) == [True, False, False, True, False, True, False]


def test_every_pass_of_other_probes_is_kept() -> None:
    looks = [scan(t, pin=15.0, water_level=72.0) for t in range(3)]
    assert kept(*looks) == [True, True, True]
