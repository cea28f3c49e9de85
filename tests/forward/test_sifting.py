"""Finding the refused lines, against a server made of a predicate."""

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from longsoak.forward.sifting import sift


class Picky:
    """Takes a request only if no line in it is bad; keeps what it took."""

    def __init__(self, bad: set[bytes]) -> None:
        self.bad = bad
        self.taken: set[bytes] = set()
        self.writes = 0

    def write(self, lines: Sequence[bytes]) -> str | None:
        self.writes += 1
        if self.bad.intersection(lines):
            return "bad line"
        self.taken.update(lines)
        return None


@given(count=st.integers(1, 300), bad=st.sets(st.integers(0, 299), max_size=20))
def test_only_bad_lines_are_refused_and_all_others_are_taken(count: int, bad: set[int]) -> None:
    lines = [b"%d" % i for i in range(count)]
    picky = Picky({b"%d" % i for i in bad})
    sifted = sift(lines, picky.write, least=count, most_writes=1)

    assert sifted.handled == count
    assert [refusal.line for refusal in sifted.refused] == [x for x in lines if x in picky.bad]
    assert picky.taken == set(lines) - picky.bad


def test_one_bad_line_among_thousands_costs_a_few_dozen_requests() -> None:
    lines = [b"%d" % i for i in range(5000)]
    picky = Picky({b"3210"})
    sift(lines, picky.write, least=1, most_writes=1000)
    # Computed: each halving of 5000 splits one refused part in two, 13 times, plus the first.
    assert picky.writes <= 2 * 13 + 1


def test_it_stops_at_its_limit_with_everything_before_dealt_with() -> None:
    lines = [b"%d" % i for i in range(1000)]
    picky = Picky(set(lines))
    sifted = sift(lines, picky.write, least=30, most_writes=10)
    assert 30 <= sifted.handled < 1000
    assert len(sifted.refused) == sifted.handled
    assert sifted.last_taken is None
