"""What the record says of the gates before a wetting, looked up at once for command and pages."""

from collections.abc import Mapping, Sequence

from longsoak.core.gates import (
    baseline_gate,
    proof_gate,
    safety_gate,
    steady_gate,
    steady_probes,
)
from longsoak.core.handflags import flags_of
from longsoak.core.logbook import AHEAD_MS
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.newholes import holes_of, new_holes
from longsoak.core.phases import WETTING, kept_gates, phases
from longsoak.core.proof.book import Book
from longsoak.core.steadiness import DAYS, DayMean
from longsoak.store.buckets import Bucket
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import flags_over
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.gate import Gate
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import NEW_HOLE, PHASE
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Probe, Rig

_HOUR_MS = 3_600_000
_DAY_MS = 24 * _HOUR_MS
_LEAST_COVERED = 0.5  # of a day, for it to have a mean


def gates_of(record: Record, rig: Rig, *, at_ms: int, now_ms: int, safe_by: str = "") -> list[Gate]:
    """Judge each gate as it stood at a time.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    rig : Rig
        The rig as it is measured.
    at_ms, now_ms : int
        When the wetting is to begin, and now, UTC ms.
    safe_by : str
        Who saw the safety list to be so, by full name.

    Raises
    ------
    RequestError
        `safe_by` is no full name.
    StoreError
        The record can't be read.
    """
    proofs = [e for e in record.proof_entries() if e.utc_ms <= at_ms + AHEAD_MS]
    known = phases(Logbook(record.folder).entries(kind=PHASE))
    return [
        steady_gate(rig, _days(record, rig, at_ms=at_ms, now_ms=now_ms)),
        baseline_gate(known, at_ms=at_ms),
        proof_gate(Book(proofs, rig)),
        safety_gate(proofs, safe_by=safe_by),
    ]


def gates_kept(record: Record, corrects: int | None, *, at_ms: int) -> Mapping[str, Json] | None:
    """What an entry that sets a wetting right takes over of its gates; None where it takes none.

    A wetting that began stays begun: its gates are not judged anew for a name that was wrong. They
    are if it is moved to another time, for which nobody looked at them.
    """
    was = None if corrects is None else Logbook(record.folder).entry(corrects)
    if was is None or was.kind != PHASE or was.content["phase"] != WETTING:
        return None
    return kept_gates(was.content) if speaks_of_ms(was) == at_ms else None


def _days(record: Record, rig: Rig, *, at_ms: int, now_ms: int) -> dict[str, list[DayMean]]:
    """The last days before a time of each probe whose rest counts, the oldest first."""
    probes = steady_probes(rig)
    until = at_ms - at_ms % _HOUR_MS
    since = until - DAYS * _DAY_MS
    found = record.reduced(
        [probe.name for probe in probes], since_ms=since, until_ms=until, buckets=DAYS
    )
    over = flags_over(record.folder, rig, now_ms=now_ms)
    holes = new_holes(Logbook(record.folder).entries(kind=NEW_HOLE))
    known = {}
    for probe in probes:  # a series that began in these days is judged from then on
        began = max((h.at_ms for h in holes_of(holes, probe.name) if h.at_ms < at_ms), default=0)
        buckets = [bucket for bucket in found[probe.name] if bucket.utc_ms >= began]
        known[probe.name] = _of_probe(probe, buckets, flags_of(over, probe), since_ms=since)
    return known


def _of_probe(
    probe: Probe, buckets: Sequence[Bucket], flags: Sequence[HandFlag], *, since_ms: int
) -> list[DayMean]:
    days = [DayMean(None)] * DAYS
    for bucket in buckets:
        covered = bucket.readings * probe.record * 1000 / _DAY_MS
        end = bucket.utc_ms + _DAY_MS
        if covered >= _LEAST_COVERED and not _spoiled(flags, bucket.utc_ms, end):
            day = (bucket.utc_ms - since_ms) // _DAY_MS
            drier = bucket.drier >= _LEAST_COVERED * bucket.readings
            days[day] = DayMean(bucket.mean, drier=drier and bucket.mean is None)
    return days


def _spoiled(flags: Sequence[HandFlag], from_ms: int, until_ms: int) -> bool:
    return any(
        (flag.flag is Flag.FAIL or flag.reason is Reason.SET_ASIDE)
        and flag.from_ms < until_ms
        and (flag.until_ms is None or flag.until_ms > from_ms)
        for flag in flags
    )
