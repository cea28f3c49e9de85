"""One probe: what it is judged by, and what is remembered of it from piece to piece. Pure."""

from dataclasses import dataclass, field, replace
from math import inf
from typing import NamedTuple

from longsoak.core.quality.change import Sums
from longsoak.core.quality.checks import Before, Close, Pending, Rate, Run, Spike
from longsoak.core.quality.day import Day, DaySums
from longsoak.core.quality.limits import DAY_MS, LIMITS, Limits
from longsoak.core.quality.peers import Peers, peers_of
from longsoak.vocabulary.health import Fault
from longsoak.vocabulary.rig import Band, Probe, Rig

_SAME = 5e-324  # the least there is: within less than that, values are the same
BASE_DAYS = 3  # first days that are remembered
_LEAST_STILL = 12  # readings


class Standing(NamedTuple):
    """A fault that was found and is not over."""

    since_ms: int
    told: float = 0.0  # what was told of its size


class Streak(NamedTuple):
    """Readings on end that tell of one fault of the wire, or of none."""

    fault: Fault | None = None
    began_ms: int = 0
    length: int = 0


_NO_STREAK, _NO_SUMS = Streak(), Sums()
_FIRST, _NONE_WAITS, _NO_RUN = Before(), Pending(), Run()


@dataclass(slots=True)
class Memory:
    """What is remembered of one probe: a few numbers, and days.

    `of` is the probe it was learnt of, `at_ms` when its last reading was taken. `waiting` are days
    that are over and not judged, `means` of those that were, by their numbers; `noises` of its
    first ones; `off` what a reference resistor was off in its first ones, %, and `cusum` and
    `average` the charts of what it is off since. `outside` are readings on end beyond the band it
    is expected in, `sluggish` how long it has moved too little within that.

    `base` are the means of its first days; `wicks` days on end on which it was wetter than nearer
    the water; `struck` when it jumped since the last day was closed, and `calm` days without;
    `hours`, where hours count, the sum and number of its readings since then, by hour. `ran` is of
    days how many readings of a pump found it running, of all.
    """

    of: str
    at_ms: int | None = None
    before: Before = _FIRST
    pending: Pending = _NONE_WAITS
    run: Run = _NO_RUN
    streak: Streak = _NO_STREAK
    sums: DaySums | None = None
    waiting: list[Day] = field(default_factory=list)
    means: dict[int, float] = field(default_factory=dict)
    noises: list[float] = field(default_factory=list)
    noisy: int = 0
    off: list[float] = field(default_factory=list)
    cusum: Sums = _NO_SUMS
    average: float = 0.0
    ran: dict[int, tuple[int, int]] = field(default_factory=dict)
    outside: Streak = _NO_STREAK
    base: list[float] = field(default_factory=list)
    wicks: int = 0
    struck: list[int] = field(default_factory=list)
    calm: int = 0
    hours: dict[int, tuple[float, int]] = field(default_factory=dict)
    sluggish: Run = _NO_RUN
    standing: dict[Fault, Standing] = field(default_factory=dict)


class Season(NamedTuple):
    """A band that readings are expected in from a time on, before another; UTC ms."""

    from_ms: float
    until_ms: float
    band: Band


class Checked(NamedTuple):
    """What a probe's readings are held against."""

    limits: Limits
    rate: Rate
    spike: Spike
    still: Close


@dataclass(slots=True)
class Watched:
    """One probe; `checked` is None where its kind has nothing it could be held against.

    `seasons` are the bands somebody declared for it, in the order of time.
    """

    probe: Probe
    memory: Memory
    peers: Peers
    checked: Checked | None = None
    seasons: tuple[Season, ...] = ()


def watched(probe: Probe, rig: Rig, known: Memory | None = None) -> Watched:
    """A probe with what is known of it, unless that was learnt of another one or in another place.

    Parameters
    ----------
    probe : Probe
        The probe.
    rig : Rig
        The one it belongs to.
    known : Memory, optional
        What was remembered under its name.
    """
    place = probe.kind, probe.every, probe.bay, probe.depth, probe.height, probe.across
    what = repr((*place, probe.curve, probe.nominal))
    memory = known if known is not None and known.of == what else Memory(what)
    seasons = _seasons(probe, rig)
    limits = LIMITS.get(probe.kind)
    if limits is None:
        return Watched(probe, memory, Peers(()), seasons=seasons)
    limits = _changed(limits, probe, rig)
    rate = Rate((limits.step + limits.rate * probe.every) / probe.every)
    still = Close(_SAME, probe.every, suspect=max(_LEAST_STILL, 1 + int(limits.flat / probe.every)))
    peers = peers_of(probe, rig.probes)
    checked = Checked(limits, rate, Spike(limits.spike), still)
    return Watched(probe, memory, peers, checked, seasons)


def _changed(limits: Limits, probe: Probe, rig: Rig) -> Limits:
    """The limits as the rig file changes them: for the kind, and beyond that for the probe."""
    for of_kind in (True, False):
        for each in rig.thresholds:
            if (each.kind is probe.kind) if of_kind else (each.probe == probe.name):
                limits = replace(
                    limits,
                    spike=limits.spike if each.spike is None else each.spike,
                    step=limits.step if each.step is None else each.step,
                    rate=limits.rate if each.rate is None else each.rate / 3600,
                    flat=limits.flat if each.flat is None else each.flat * 3600,
                    apart=limits.apart if each.apart is None else each.apart,
                )
    return limits


def _seasons(probe: Probe, rig: Rig) -> tuple[Season, ...]:
    found = []
    for band in rig.bands:
        if band.probe != probe.name:
            continue
        from_ms, until_ms = -inf, inf
        if (day_1 := rig.start_ms) is not None:
            from_ms = day_1 + (band.first - 1) * DAY_MS
            until_ms = inf if band.last is None else day_1 + band.last * DAY_MS
        found.append(Season(from_ms, until_ms, band))
    return tuple(sorted(found))
