"""What a second machine makes of a rig's state, told apart by its own clock and the rig's."""

from typing import Any

import pytest

from longsoak.core.watching import Told, What, is_newer, judge, told_of
from longsoak.vocabulary.outlet import Recording

NOW = 1_777_885_200_000  # 2026-05-04T09:00:00Z
MINUTE = 60_000


def told(*, ago_ms: int = 0, **changes: Any) -> Told:
    """A state that was written so long before now by the rig's clock."""
    usual = Told(
        rig="render pair",
        state=Recording.ON,
        written_ms=NOW - ago_ms,
        age=20.0,
        scan=("run", 7),
        fine=60.0,
        again=70.0,
        fresh=True,
    )
    return usual._replace(**changes)


@pytest.mark.parametrize(
    ("state", "oldest", "what", "says"),
    [
        (told(), None, What.FINE, "render pair records: its newest reading is 20 s old."),
        (told(age=61.0), None, What.OLD, "61 s old, and 60 s is the most that is fine."),
        (told(age=61.0), 600.0, What.FINE, "61 s old"),
        (told(age=20.0), 10.0, What.OLD, "20 s old, and 10 s is the most"),
        (told(age=None), None, What.OLD, "it has no reading"),
        (told(state=Recording.STOPPED), None, What.STOPPED, "stopped on purpose"),
        (told(state=Recording.CUT_OFF, age=None), None, What.CUT_OFF, "was cut off"),
        (told(state=Recording.NOTHING_NEW, age=400.0), None, What.NOT_RECORDING, "is 7 min old"),
        # What a broker had kept may have been written a while ago: its age is added.
        (told(fresh=False, ago_ms=MINUTE), None, What.FINE, "is 80 s old"),
        (told(fresh=False, ago_ms=2 * MINUTE), None, What.OLD, "2 min old, and 2 min is"),
        (told(fresh=False, ago_ms=2 * MINUTE), 600.0, What.FINE, ""),
        # Just written, by a clock that is not ours.
        (told(ago_ms=3 * MINUTE), None, What.CLOCKS, "3 min behind this machine's"),
        (told(ago_ms=-3 * MINUTE), None, What.CLOCKS, "3 min ahead of this machine's"),
        (told(ago_ms=-50_000), None, What.FINE, ""),
        (told(ago_ms=3 * MINUTE, age=100.0), None, What.OLD, ""),  # the worse of the two
        # Kept, and from the future: whether it is new nobody can say from it alone.
        (told(ago_ms=-3 * MINUTE, fresh=False), None, What.OLD, "can't be told"),
    ],
)
def test_a_state_comes_to_one_word_and_one_sentence(
    state: Told, oldest: float | None, what: What, says: str
) -> None:
    found = judge(state, now_ms=NOW, oldest=oldest)
    assert found.what is what
    assert says in found.says


def test_newer_is_what_tells_of_another_scan_just_now() -> None:
    first = told(fresh=False)
    assert is_newer(told(scan=("run", 8)), first)
    assert is_newer(told(scan=("another run", 1)), first)
    assert not is_newer(told(), first)
    assert not is_newer(told(scan=("run", 8), fresh=False), first)
    assert not is_newer(told(scan=(None, None)), first)


DOCUMENT = {
    "rig": "render pair",
    "state": "recording",
    "written": "2026-05-04T09:00:00.000Z",
    "newest_scan_age_s": 20,
    "scans": 7,
    "run": "run",
    "oldest_fine_s": 60.0,
    "again_within_s": 70.0,
}


def test_a_state_is_read_as_the_schema_has_it() -> None:
    assert told_of(DOCUMENT, fresh=True) == told()
    assert told_of(DOCUMENT | {"written": "2026-05-04T11:00:00+02:00"}, fresh=True) == told()


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ([], "no JSON object"),
        ({}, "'rig' is missing"),
        (DOCUMENT | {"state": "asleep"}, "asleep"),
        (DOCUMENT | {"written": "yesterday"}, "yesterday"),
        (DOCUMENT | {"written": "2026-05-04T09:00:00"}, "no time zone"),
        (DOCUMENT | {"newest_scan_age_s": "20"}, "'20' is no number"),
        (DOCUMENT | {"oldest_fine_s": None}, "NoneType"),
    ],
)
def test_what_is_no_state_is_told_apart(document: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        told_of(document, fresh=True)
