"""The campaign's short cut, with every other test; the whole of it by its name."""

from faults.clock import campaign


def test_after_days_of_lost_clocks_every_scan_lies_where_it_belongs() -> None:
    outcome = campaign(seed=1, short=True)
    assert outcome.lost == 0, outcome
