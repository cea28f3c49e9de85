"""Files of weighings, whatever is in them; mistakes as a user sees them are in tests/cli."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.rigfile.weighings import Weighings, read_weighings
from longsoak.vocabulary.errors import Mistake, RigFileError


def read(content: bytes) -> Weighings:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "tile.csv"
        path.write_bytes(content)
        return read_weighings(path)


@pytest.mark.parametrize(
    ("column", "each"), [("time_s", 1.0), ("time_min", 60.0), ("time_h", 3600)]
)
def test_times_and_masses_come_in_si_units(column: str, each: float) -> None:
    found = read(f"remark,{column},mass_g\nx,0,1000\ny,2.5,1012.5\n".encode())
    assert found == Weighings((2.5 * each,), (1.0125,), 1.0, ("remark",))


def test_without_a_weighing_at_the_start_there_is_no_dry_mass() -> None:
    assert read(b"time_s,mass_g\n1,1000\n") == Weighings((1.0,), (1.0,), None, ())


_CELLS = st.sampled_from(["0", "1", "5.5", "-1", "nan", "inf", "1e999", "1,5", '"', "x", "", "1_0"])
_LINES = st.lists(st.lists(_CELLS, max_size=4).map(",".join), max_size=6)


@given(st.binary(max_size=80) | _LINES.map(lambda lines: "\n".join(lines).encode()))
def test_whatever_is_in_a_file_it_is_read_or_its_mistakes_are_told(content: bytes) -> None:
    mistakes: tuple[Mistake, ...] = ()
    found = Weighings((), (), None, ())
    try:
        found = read(b"time_min,mass_g\n" + content)
    except RigFileError as error:
        mistakes = error.mistakes
    assert all(mistake.line >= 1 for mistake in mistakes)
    assert all(str(mistake).endswith(".") for mistake in mistakes)
    assert found.times == tuple(sorted(set(found.times)))
    assert len(found.times) == len(found.masses)
    assert all(0.0 < mass <= 1e4 for mass in found.masses)
