"""The bench rig and scans of it."""

from math import nan
from pathlib import Path

from longsoak.rigfile.load import parse
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Rig

T0 = 1_900_000_000_000


def bench() -> Rig:
    """The rig of benchrig.toml."""
    text = (Path(__file__).parent / "benchrig.toml").read_text()
    return parse(text, file="benchrig.toml", find_kind=None)


def scan(at: float, flag: Flag = Flag.PASS, reason: Reason = Reason.NONE, **values: float) -> Scan:
    """One scan `at` seconds; underscores in names stand for spaces, and absent values for NaN."""
    absent = flag in (Flag.MISSING, Flag.FAIL)
    n = len(values)
    return Scan(
        "bus",
        T0 + round(at * 1000),
        round(at * 1000),
        True,
        tuple(name.replace("_", " ") for name in values),
        ("1",) * n,
        tuple(values.values()),
        (nan,) * n if absent else tuple(values.values()),
        (nan,) * n,
        (flag,) * n,
        (reason,) * n,
    )
