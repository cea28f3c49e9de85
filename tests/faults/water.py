"""Simulated years of wetting rigs, recorded by the shipped path: all that happened has to be told.

The world is `faults.waterworld`, which knows nothing of what it tries.
"""

import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

from faults.outcome import Outcome
from faults.waterdriven import record
from faults.waterjudged import Verdict, delay_words, judge, told_in
from faults.waterworld.happenings import SENSOR_FAULTS, Happening, Kind
from faults.waterworld.plan import WEEKS, YEAR, planned
from faults.waterworld.script import Script
from faults.waterworld.shape import SHAPES, Shape
from longsoak.core.wording import with_noun
from longsoak.store.logbook import Logbook

# What a year has to bring at the least, or it tries too little.
LEAST = {
    Kind.TOP_UP: 60,
    Kind.OVERFILL: 6,
    Kind.CONTACT: 3,
    Kind.LEAK: 2,
    Kind.PUMP_STOP: 4,
    Kind.POWER_CUT: 4,
}
LEAST_SENSORS = 5
MOST_TOLD = 3  # of what is wrong


def campaign(*, seed: int, short: bool, more: str = "") -> Outcome:
    """A year of each of three rigs, or a few weeks of one; `more` ends their rig files."""
    shapes: Sequence[Shape] = [SHAPES[1]] if short else SHAPES
    jobs = [(shape, seed, short, more) for shape in shapes]
    if short:
        lives = [_live(*jobs[0])]
    else:
        with get_context("fork").Pool(2) as pool:
            lives = pool.starmap(_live, jobs, chunksize=1)
    verdicts = [verdict for verdict, _ in lives]
    happened = Counter(each.kind for _, all_of_it in lives for each in all_of_it if each.demanded)
    wrong = [says for verdict in verdicts for says in verdict.wrongs()]
    missed = Counter(each.kind for verdict in verdicts for each in verdict.missed)
    lost = sum(verdict.lost for verdict in verdicts)
    false = sum(len(verdict.false) for verdict in verdicts)
    days = sum(verdict.days for verdict in verdicts)
    return Outcome(
        "water",
        f"{with_noun(len(shapes), 'rig')}, {days:.0f} days in all, {_counts(happened)}",
        lost,
        f"never told: {_counts(missed) or 'nothing'}; {with_noun(false, 'false alarm')}; "
        + ("; ".join(wrong[:MOST_TOLD]) if lost else _delays(verdicts)),
    )


def _live(shape: Shape, seed: int, short: bool, more: str) -> tuple[Verdict, list[Happening]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "record"
        script, verdict = lived(shape, folder, seed=seed, short=short, more=more)
    if not short:
        check_enough(shape, script.happened)
    return verdict, script.happened


def lived(
    shape: Shape, folder: Path, *, seed: int, short: bool, more: str = ""
) -> tuple[Script, Verdict]:
    """Live through a rig's time, recorded in `folder`; what truly was, and what was told of it."""
    shape = shape.begun_in_another_month(seed)
    script = Script(
        shape,
        seed=seed,
        days=WEEKS if short else YEAR,
        plan=planned(shape, seed=seed, short=short),
    )
    written = record(script, folder, seed=seed, more=more)
    verdict = judge(shape.name, script.days, script.happened, told_in(folder))
    unwritten = written - len(Logbook(folder).entries())
    return script, replace(verdict, unwritten=unwritten)


def check_enough(shape: Shape, happened: Sequence[Happening]) -> None:
    """See that a year brought what it has to.

    Raises
    ------
    AssertionError
        It did not: the world is to be mended, not what it tries.
    """
    there = Counter(each.kind for each in happened if each.demanded)
    for kind, least in LEAST.items():
        assert there[kind] >= least, f"{shape.name}: {there[kind]} of {kind}, expected {least}"
    faults = sum(there[kind] for kind in SENSOR_FAULTS)
    assert faults >= LEAST_SENSORS, f"{shape.name}: {faults} sensor faults"


def _counts(happened: Counter[Kind]) -> str:
    return ", ".join(f"{kind} {happened[kind]}" for kind in Kind if happened[kind])


def _delays(verdicts: Sequence[Verdict]) -> str:
    """How late each kind was told."""
    late: dict[Kind, list[float]] = {}
    for verdict in verdicts:
        for kind, delays in verdict.delays.items():
            late.setdefault(kind, []).extend(delays)
    return "told after " + ", ".join(f"{kind} {delay_words(late[kind])}" for kind in sorted(late))
