"""Limits just kept and just broken: readings of a simulated zone through windows to a verdict.

The truth is known; what all readings share, as a curve, is drawn anew in each of 1,000 tests, and
each reading scatters. Two standard deviations of a share of 5 % found from 1,000 are 1.4 %.
"""

import numpy as np
import pytest

from longsoak.core.findings.decision import Outcome
from longsoak.core.findings.verdict import judge
from longsoak.core.findings.windows import windows_of
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Limit, LimitQuantity, Side, Statistic

pytestmark = pytest.mark.long

RUNS = 1000
HOUR_MS = 3_600_000
DAYS = 30
PROBES = 6
OFF, NOISE = 0.5, 0.1  # %, standard: shared by all readings, and of each
LIMIT = Limit(
    "x", LimitQuantity.MOISTURE_CONTENT, Side.AT_MOST, 20.0, Statistic.HIGHEST, coverage=0.8
)
TIMES = np.arange(0, DAYS * 24) * HOUR_MS
EDGES = np.arange(0, DAYS + 1) * 24 * HOUR_MS


def verdicts(peak: float, *, lost: float = 0.0, seed: int = 1) -> dict[Outcome, float]:
    """How often each verdict comes where the worst place is at `peak` at its worst, %."""
    random = np.random.default_rng(seed)
    days = (TIMES / HOUR_MS + 0.5) / 24
    shape = np.exp(-(((days - 15.0) / 12.0) ** 4))  # up to a plateau of some days, and down
    counts = dict.fromkeys(Outcome, 0)
    for _ in range(RUNS):
        off = random.normal(0.0, OFF)
        rows = []
        for place in range(PROBES):
            truth = 12.0 + (peak - 12.0 - 0.8 * place) * shape
            flags = np.where(random.random(len(TIMES)) < lost, Flag.FAIL, Flag.PASS)
            rows.append(
                windows_of(
                    TIMES,
                    values=truth + off + random.normal(0.0, NOISE, len(TIMES)),
                    uncertainties=np.full(len(TIMES), OFF),
                    flags=flags,
                    reasons=np.zeros(len(TIMES), dtype=np.uint8),
                    edges=EDGES,
                    every=HOUR_MS,
                )
            )
        found = judge(
            np.array([row.means for row in rows]),
            uncertainties=np.array([row.uncertainties for row in rows]),
            limit=LIMIT,
        )
        counts[found.outcome] += 1
    return {outcome: count / RUNS for outcome, count in counts.items()}


@pytest.mark.parametrize("lost", [0.0, 0.3])
def test_a_limit_just_broken_is_called_held_no_oftener_than_declared(lost: float) -> None:
    assert verdicts(20.0 + 1e-3, lost=lost)[Outcome.HELD] <= LIMIT.risk + 0.014


@pytest.mark.parametrize("lost", [0.0, 0.3])
def test_a_limit_just_kept_is_called_broken_no_oftener_than_declared(lost: float) -> None:
    assert verdicts(20.0, lost=lost)[Outcome.BROKEN] <= 0.05 + 0.014


def test_a_limit_well_kept_or_well_broken_is_decided_nearly_always() -> None:
    assert verdicts(17.5)[Outcome.HELD] >= 0.99
    assert verdicts(23.5)[Outcome.BROKEN] >= 0.99
