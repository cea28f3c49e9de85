"""What every item of every driver is held to."""

import math

from longsoak.vocabulary.sample import Missing, Sample


def proper(got: Sample | Missing, *, probe: str) -> Sample | None:
    """The sample, if it is one; fails if the item is none for `probe`."""
    assert got.probe == probe, got
    if isinstance(got, Sample):
        assert math.isfinite(got.value), got
        assert got.unit, got
        return got
    assert got.detail, got
    return None


def same(got: Sample | Missing, value: float | None, *, probe: str = "p") -> None:
    """Fail unless the item is a sample of just this value, or missing where there is none."""
    sample = proper(got, probe=probe)
    assert (sample and sample.value) == value, (got, value)
