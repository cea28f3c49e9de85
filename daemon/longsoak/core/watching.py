"""What a second machine makes of a rig's state: whether its readings are new. Pure."""

from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import NamedTuple

from longsoak.core.wording import age_words
from longsoak.vocabulary.outlet import Recording

APART = 60.0  # s two clocks may differ: either may be about to be synchronised


class Told(NamedTuple):
    """A rig's state as it was told.

    `age` is how old the newest scan was when it was written, s, and `fine` how old it may be;
    `again` is within how many s it is told anew. `fresh` says whether it was written just now: what
    a broker had kept may be of any age.
    """

    rig: str
    state: Recording
    written_ms: int
    age: float | None
    scan: tuple[str | None, int | None]  # run and number
    fine: float
    again: float
    fresh: bool


class What(StrEnum):
    """What was found; the values are the words of ``--json``."""

    FINE = "fine"
    OLD = "old"
    NOT_RECORDING = "not recording"
    STOPPED = "stopped"
    CUT_OFF = "cut off"
    CLOCKS = "clocks differ"
    NOTHING = "nothing told"
    UNREACHABLE = "unreachable"


class Finding(NamedTuple):
    """What was found, and a sentence that says it."""

    what: What
    says: str


def told_of(document: object, *, fresh: bool) -> Told:
    """Read a state as ``state.schema.json`` has it.

    Raises
    ------
    ValueError
        It is no such thing.
    """
    if not isinstance(document, Mapping):
        raise ValueError("it is no JSON object")
    try:
        return Told(
            rig=str(document["rig"]),
            state=Recording(document["state"]),
            written_ms=_utc_ms(document["written"]),
            age=_number(document["newest_scan_age_s"]),
            scan=(document["run"], document["scans"]),
            fine=float(document["oldest_fine_s"]),
            again=float(document["again_within_s"]),
            fresh=fresh,
        )
    except KeyError as error:
        raise ValueError(f"{error} is missing: it may be of another version") from error
    except TypeError as error:
        raise ValueError(str(error)) from error


def judge(told: Told, *, now_ms: int, oldest: float | None) -> Finding:
    """Say what a state comes to.

    Parameters
    ----------
    told : Told
        The state.
    now_ms : int
        This machine's clock, UTC ms since 1970.
    oldest : float or None
        How old the newest reading may be, s; None is as the state itself says, and for one that
        was kept by a broker as much longer as it is told seldom.
    """
    rig = told.rig
    since = (now_ms - told.written_ms) / 1000  # by two clocks
    if told.state is Recording.STOPPED:
        return Finding(What.STOPPED, f"{rig} was stopped on purpose and measures nothing.")
    if told.state is Recording.CUT_OFF:
        return Finding(
            What.CUT_OFF,
            f"{rig} was cut off: its power, its network or the process is gone, and nobody said "
            "that it would stop.",
        )
    age = None if told.age is None else told.age + (0.0 if told.fresh else max(0.0, since))
    newest = "it has no reading" if age is None else f"its newest reading is {age_words(age)} old"
    if told.state is Recording.NOTHING_NEW:
        return Finding(What.NOT_RECORDING, f"{rig} runs but keeps no readings: {newest}.")
    limit = oldest if oldest is not None else told.fine + (0.0 if told.fresh else told.again)
    if age is None or age > limit:
        return Finding(What.OLD, f"The data of {rig} are old: {newest}, {_most(limit)}.")
    if not told.fresh and since < -APART:
        return Finding(
            What.OLD,
            f"Whether the data of {rig} are new can't be told: what it said last is dated "
            f"{age_words(-since)} ahead of this machine's clock.",
        )
    if told.fresh and abs(since) > APART:
        which = "ahead of" if since < 0 else "behind"
        return Finding(
            What.CLOCKS,
            f"{rig} records, but its clock is {age_words(abs(since))} {which} this machine's: "
            "one of the two is wrong.",
        )
    return Finding(What.FINE, f"{rig} records: {newest}.")


def is_newer(later: Told, first: Told) -> bool:
    """Whether a state tells of a scan that came after what `first` tells, whatever the clocks."""
    return later.fresh and later.scan != first.scan and later.scan[1] is not None


def _most(limit: float) -> str:
    return f"and {age_words(limit)} is the most that is fine"


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, int | float):
        return float(value)
    raise ValueError(f"{value!r} is no number")


def _utc_ms(text: object) -> int:
    when = datetime.fromisoformat(str(text))
    if when.tzinfo is None:
        raise ValueError(f"{text!r} says no time zone")
    return round(when.astimezone(UTC).timestamp() * 1000)
