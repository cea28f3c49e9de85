"""Files of arrivals, whatever is in them; mistakes as a user sees them are in tests/cli."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.rigfile.arrivals import Arrival, Arrivals, read_arrivals
from longsoak.vocabulary.errors import Mistake, RigFileError


def read(content: bytes) -> Arrivals:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "front.csv"
        path.write_bytes(content)
        return read_arrivals(path)


@pytest.mark.parametrize(
    ("column", "each"), [("time_s", 1.0), ("time_min", 60.0), ("time_h", 3600.0)]
)
def test_times_come_in_seconds_and_an_empty_one_is_no_time(column: str, each: float) -> None:
    found = read(f"remark,{column},depth_mm,uncertainty_mm\nx,2.5,30,0.5\ny,,60,\n".encode())
    came, late = Arrival(30.0, 0.5, 2.5 * each), Arrival(60.0, None, None)
    assert found == Arrivals((came, late), 0, ("remark",))


def test_without_a_column_of_uncertainties_none_is_known() -> None:
    (found,) = read("\ufeffdepth_mm , time_s\r\n30,1\r\n".encode()).arrivals
    assert found == Arrival(30.0, None, 1.0)


_CELLS = st.sampled_from(["0", "1", "5.5", "-1", "nan", "inf", "1e999", "1,5", '"', "x", "", "1_0"])
_LINES = st.lists(st.lists(_CELLS, max_size=4).map(",".join), max_size=6)
_HEADS = st.sampled_from(["depth_mm,time_min", "time_h,depth_mm,uncertainty_mm", "probe,time_s"])


@given(_HEADS, st.binary(max_size=80) | _LINES.map(lambda lines: "\n".join(lines).encode()))
def test_whatever_is_in_a_file_it_is_read_or_its_mistakes_are_told(
    head: str, content: bytes
) -> None:
    mistakes: tuple[Mistake, ...] = ()
    found = Arrivals((), 0, ())
    try:
        found = read(head.encode() + b"\n" + content)
    except RigFileError as error:
        mistakes = error.mistakes
    assert mistakes or found.arrivals
    assert all(mistake.line >= 1 for mistake in mistakes)
    assert all(str(mistake).endswith((".", "?")) for mistake in mistakes)
    assert all(0.0 < each.depth <= 1e4 for each in found.arrivals)
    assert all(each.time is None or 1.0 <= each.time <= 1e9 for each in found.arrivals)
    assert all(each.uncertainty is None or each.uncertainty >= 0 for each in found.arrivals)
