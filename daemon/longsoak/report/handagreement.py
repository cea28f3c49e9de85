"""Readings by hand held against the embedded pins beside them, round by round, from the record.

Differences are embedded less hand, in %, both on the scale of the pins' curve and corrected for the
temperature of the wood. A round that goes on is not held against anything: its next places are
read blind as well.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import groupby
from statistics import fmean

from longsoak.core.findings.agreement import (
    Agreement,
    DepthBias,
    Pair,
    bias_by_depth,
    limits_of_agreement,
)
from longsoak.core.handpairs import on_scale, pins_at
from longsoak.core.handplaces import LAPSE_MS, HandReading, apart, hand_readings, rounds_of, seat_of
from longsoak.core.metercheck import AFTER, BEFORE, MeterCheck, checked, meter_checks, meters_words
from longsoak.core.uptake import Undetermined
from longsoak.core.warmth import by_depth
from longsoak.core.wording import flag_words
from longsoak.report.embedded import HALF_MS, around_of, flagged_readings, usable
from longsoak.report.versions import Versions
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.handrule import DEPTH_WITHIN, HEIGHT_WITHIN, HandRule
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe, Quantity, Rig

_APART_MS = 4 * 3_600_000  # readings by hand further apart are looked up each by itself


class Why(StrEnum):
    """Why a reading by hand is in no number; the values are for programs."""

    BOUND = "bound"  # the meter showed an end of its scale
    PLACE = "place"  # there are no pins at its place
    SCALE = "scale"  # it can't be put on their scale
    EMBEDDED = "embedded"  # they have no value of that hour that can be used


class Alike(StrEnum):
    """Whether hand and pins differ by more than was declared; the values are what people read."""

    AGREE = "they agree"
    DIFFER = "they differ"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class HandPair:
    """A reading by hand and the embedded pins at its place, in % of one quantity.

    `embedded` is the mean of `count` readings of the hour. The hand value was brought to the wood's
    `temperature`, degC; `told` is whether somebody measured it there, and not the embedded
    thermometers.
    """

    reading: HandReading
    probe: str
    depth: float
    off: float
    quantity: Quantity
    hand: float
    embedded: float
    count: int
    temperature: float
    told: bool

    @property
    def difference(self) -> float:
        """Embedded less hand."""
        return self.embedded - self.hand


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A reading by hand that is in no number, or only not with these pins, and why, in words."""

    reading: HandReading
    why: Why
    says: str
    probe: str | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """What pairs of one quantity come to; `alike` is None where no tolerance is declared."""

    quantity: Quantity
    pairs: tuple[HandPair, ...]
    agreement: Agreement | Undetermined
    by_depth: tuple[DepthBias, ...]
    alike: Alike | None


@dataclass(frozen=True, slots=True)
class Declared:
    """What the rig file declared of readings by hand; `late` if the round had begun by then."""

    rule: HandRule
    version: int
    declared_ms: int
    late: bool


@dataclass(frozen=True, slots=True)
class Round:
    """One round held against the pins. Times are UTC ms, of its first and last reading.

    Of one that goes on nothing is known but `taken`, its number of readings. `flagged` counts
    embedded readings of its hours that were flagged or set aside, by why. `late` are numbers of
    entries that were written when the round was said to be over.
    """

    name: str
    from_ms: int
    until_ms: int
    taken: int
    goes_on: bool
    meters: tuple[str, ...]
    before: bool
    after: bool
    declared: Declared | None
    pairs: tuple[HandPair, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    held: tuple[Held, ...] = ()
    flagged: Mapping[str, int] | None = None
    late: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class HandAgreement:
    """Every round, the oldest first, and what all that are over come to together.

    `mixed` is whether not all of those had the same declared of them; then the whole is not judged.
    """

    rounds: tuple[Round, ...]
    held: tuple[Held, ...]
    mixed: bool


def hand_agreement(record: Record, *, now_ms: int) -> HandAgreement:
    """Hold every round of readings by hand that is over against the embedded pins.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    now_ms : int
        UTC now.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    return _Holding(record, now_ms).all()


class _Holding:
    """One look at a record."""

    def __init__(self, record: Record, now_ms: int) -> None:
        self._record = record
        self._now_ms = now_ms
        self._versions = Versions(record)
        entries = Logbook(record.folder).entries()
        self._rounds = rounds_of(hand_readings(entries))
        self._checks = meter_checks(entries)
        self._over = self._versions.over(now_ms=now_ms)

    def all(self) -> HandAgreement:
        rounds = tuple(self._round(name, own) for name, own in self._rounds.items())
        over = [each for each in rounds if not each.goes_on]
        rules = {_frozen(each.declared) for each in over}
        pairs = [pair for each in over for pair in each.pairs]
        rule = over[-1].declared if over and len(rules) == 1 else None
        return HandAgreement(rounds, _held(pairs, rule), mixed=len(rules) > 1)

    def _round(self, name: str, own: Sequence[HandReading]) -> Round:
        after = checked(own, self._checks, when=AFTER)
        first, last = own[0].at_ms, own[-1].at_ms
        goes_on = not after and self._now_ms - last < LAPSE_MS
        declared = self._declared(first)
        found = Round(
            name=name,
            from_ms=first,
            until_ms=last,
            taken=len(own),
            goes_on=goes_on,
            meters=tuple(meters_words(own, self._checks)),
            before=checked(own, self._checks, when=BEFORE),
            after=after,
            declared=declared,
        )
        if goes_on:
            return found
        pairs: list[HandPair] = []
        left_out: list[LeftOut] = []
        flagged: dict[str, int] = {}
        for hours in self._hours(own, declared):
            pairs += hours.pairs
            left_out += hours.left_out
            for words, count in hours.flagged.items():
                flagged[words] = flagged.get(words, 0) + count
        pairs.sort(key=lambda p: (p.reading.bay, p.depth, p.reading.place.height, p.reading.number))
        return replace(
            found,
            pairs=tuple(pairs),
            left_out=tuple(left_out),
            held=_held(pairs, declared),
            flagged=flagged,
            late=_late(own, self._checks),
        )

    def _hours(self, own: Sequence[HandReading], declared: Declared | None) -> Iterator["_Hours"]:
        """Readings by hand near each other in time, looked up together."""
        some: list[HandReading] = []
        for reading in own:
            if some and (
                reading.at_ms - some[-1].at_ms > _APART_MS
                or self._versions.shown_under(reading.at_ms)
                is not self._versions.shown_under(some[0].at_ms)
            ):
                yield self._looked_up(some, declared)
                some = []
            some.append(reading)
        if some and self._versions.all:
            yield self._looked_up(some, declared)

    def _looked_up(self, some: Sequence[HandReading], declared: Declared | None) -> "_Hours":
        rig = self._versions.rig(self._versions.shown_under(some[0].at_ms))
        return _Hours(self._record, rig, self._over, declared, some)

    def _declared(self, from_ms: int) -> Declared | None:
        """What was declared when a round began; what came later, where nothing was."""
        before = [v for v in self._versions.all if v.accepted_utc_ms <= from_ms]
        if before and (rule := self._versions.rig(before[-1]).hand_rule) is not None:
            since = before[-1]
            for version in reversed(before):
                if self._versions.rig(version).hand_rule != rule:
                    break
                since = version
            return Declared(rule, since.number, since.accepted_utc_ms, late=False)
        for version in self._versions.all[len(before) :]:
            if (rule := self._versions.rig(version).hand_rule) is not None:
                return Declared(rule, version.number, version.accepted_utc_ms, late=True)
        return None


class _Hours:
    """Some readings by hand of one rig file, and what was embedded there in their hours."""

    def __init__(
        self,
        record: Record,
        rig: Rig,
        over: Sequence[HandFlag],
        declared: Declared | None,
        own: Sequence[HandReading],
    ) -> None:
        self.pairs: list[HandPair] = []
        self.left_out: list[LeftOut] = []
        self.flagged: dict[str, int] = {}
        self._rig = rig
        self._rule = None if declared is None else declared.rule
        self._counted: set[tuple[str, int]] = set()
        wanted: list[tuple[HandReading, Probe]] = []
        for reading in own:
            if reading.shown.bound:
                says = f"the meter showed {reading.shown.words}, an end of its scale"
                self.left_out.append(LeftOut(reading, Why.BOUND, says))
                continue
            rule = self._rule
            found = pins_at(
                reading,
                rig,
                depth=DEPTH_WITHIN if rule is None else rule.depth_within,
                height=HEIGHT_WITHIN if rule is None else rule.height_within,
            )
            if isinstance(found, str):
                self.left_out.append(LeftOut(reading, Why.PLACE, found))
            else:
                wanted += [(reading, probe) for probe in found]
        self._probes = {probe.name: probe for probe in rig.probes}
        names = {name for _, probe in wanted for name in (probe.name, *probe.temperatures)}
        self._read = flagged_readings(
            record,
            [self._probes[name] for name in sorted(names)],
            over,
            since_ms=own[0].at_ms - HALF_MS,
            until_ms=own[-1].at_ms + HALF_MS,
        )
        for reading, probe in wanted:
            self._hold(reading, probe)

    def _hold(self, reading: HandReading, probe: Probe) -> None:
        around = self._around(probe.name, reading.at_ms)
        good, why = usable(around)
        for each in around:
            if each.flag is not Flag.PASS and (probe.name, each.utc_ms) not in self._counted:
                self._counted.add((probe.name, each.utc_ms))
                words = flag_words(each.flag, each.reason)
                self.flagged[words] = self.flagged.get(words, 0) + 1
        if why is not None:
            says = f"{probe.name}: {why}"
            self.left_out.append(LeftOut(reading, Why.EMBEDDED, says, probe.name))
            return
        told = reading.wood_temperature
        temperature = self._warmth(probe, reading.at_ms) if told is None else told
        if temperature is None:
            says = f"nothing tells how warm the wood at {probe.name} was"
            self.left_out.append(LeftOut(reading, Why.SCALE, says, probe.name))
            return
        value = on_scale(reading, probe, self._rig, self._rule, temperature=temperature)
        seat = seat_of(probe)
        if isinstance(value, str) or seat is None or probe.quantity is None:
            self.left_out.append(LeftOut(reading, Why.SCALE, str(value), probe.name))
            return
        self.pairs.append(
            HandPair(
                reading=reading,
                probe=probe.name,
                depth=seat.depth,
                off=apart(seat, reading.place),
                quantity=probe.quantity,
                hand=value,
                embedded=fmean([each.value for each in good if each.value is not None]),
                count=len(good),
                temperature=temperature,
                told=told is not None,
            )
        )

    def _around(self, name: str, at_ms: int) -> list[Reading]:
        return around_of(self._read[name], at_ms)

    def _warmth(self, probe: Probe, at_ms: int) -> float | None:
        """What the thermometers that correct pins say of the wood there; None if one is silent."""
        read: list[float] = []
        for name in probe.temperatures:
            values = [
                each.value
                for each in self._around(name, at_ms)
                if each.flag is Flag.PASS and each.value is not None
            ]
            if not values:
                return None
            read.append(fmean(values))
        if not read:
            return None
        depths = [self._probes[name].depth for name in probe.temperatures]
        return by_depth(probe.depth, depths, read).temperature


def _held(pairs: Sequence[HandPair], declared: Declared | None) -> tuple[Held, ...]:
    """What pairs come to, each quantity by itself."""
    by_quantity = sorted(pairs, key=lambda pair: pair.quantity)
    return tuple(
        _of_one(quantity, tuple(own), declared)
        for quantity, own in groupby(by_quantity, key=lambda pair: pair.quantity)
    )


def _of_one(quantity: Quantity, pairs: tuple[HandPair, ...], declared: Declared | None) -> Held:
    # A probe that was moved is another place.
    both = [
        Pair(pair.embedded, pair.hand, f"{pair.probe} {pair.depth:g}", pair.depth) for pair in pairs
    ]
    agreement = limits_of_agreement(both)
    alike = None if declared is None else alike_of(agreement, declared.rule.tolerance)
    return Held(quantity, pairs, agreement, bias_by_depth(both), alike)


def alike_of(agreement: Agreement | Undetermined, tolerance: float) -> Alike:
    """Whether two methods differ by more than `tolerance`, in the unit of the agreement.

    They agree where both limits lie within it with the whole of their intervals, and differ where
    a limit lies beyond it with the whole of its own.
    """
    if isinstance(agreement, Undetermined):
        return Alike.UNDECIDED
    lower, upper = agreement.lower, agreement.upper
    if lower.low >= -tolerance and upper.high <= tolerance:
        return Alike.AGREE
    if lower.high < -tolerance or upper.low > tolerance:
        return Alike.DIFFER
    return Alike.UNDECIDED


def _late(own: Sequence[HandReading], checks: Iterable[MeterCheck]) -> tuple[int, ...]:
    """Entries of a round that were written after its meter was checked for the end of it."""
    ended = {(check.round, check.meter): check.number for check in checks if check.when == AFTER}
    return tuple(
        each.number
        for each in own
        if each.number > ended.get((each.setting.round, each.setting.meter), each.number)
    )


def _frozen(declared: Declared | None) -> object:
    """A rule as far as two are the same."""
    if declared is None:
        return None
    rule = declared.rule
    return rule.wins, rule.tolerance, declared.late
