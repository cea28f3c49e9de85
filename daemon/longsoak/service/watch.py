"""Every alarm of a rig: what each scan, bus and outlet shows it, and what changed."""

from collections import deque
from collections.abc import Mapping
from functools import partial
from math import inf
from typing import NamedTuple

from longsoak.core.alarmrates import Rates
from longsoak.core.alarms import Seen, apart, at_rest, below, high, low, state_of
from longsoak.core.wording import age_words, ohm_words, value_words
from longsoak.rigfile.alarmchecks import (
    COMPUTER,
    FOUND,
    OF_THE_COMPUTER,
    RECORD,
)
from longsoak.service.alarmlives import AlarmLives, At, Says
from longsoak.vocabulary.alarm import AlarmChange, AlarmLeft, AlarmState, Priority
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Kind, Probe, Rig

# A bus whose worker has delivered nothing for this long hangs inside its driver. A pass over many
# dead channels may take minutes by itself.
BUS_PATIENCE = 180.0  # s
UNSEEN = 60.0, 3.0  # s, periods: a probe of a bus that answers is asked at least that often
FLAPS, FLAP_SPAN = 3, 300.0  # a bus lost so often within so many s is as good as down
FRESH = 5.0, 3.0  # s, periods: for so long the last look at a float or a level is how it stands
_ANSWERED = AlarmState.ACKNOWLEDGED
_USUAL = Rates()
_WELL = {
    Watch.RECORD: "the record takes what is measured",
    Watch.BACKUP: "a backup was made",
    Watch.LOST: "nothing is given up any more",
    Watch.DISK: "there is room on the disk again",
    Watch.LOG: "the log was folded in",
    Watch.CLOCK: "the clock is synchronised",
    Watch.UNDERVOLTAGE: "the supply is as it should be",
    Watch.TRIAL: "the trial was answered",
}
# What stands until somebody says that they know of it, whatever may be seen.
_UNTIL_ANSWERED = (Watch.DAMAGED, Watch.RESTARTED)
_TICKED = (*_UNTIL_ANSWERED, Watch.LEVEL_UNKNOWN)
# Looked up once: an enumeration takes long to name a member, and this is done for every reading.
_SILENT, _PASS, _GOOD = Watch.SILENT, Flag.PASS, (Flag.PASS, Flag.SUSPECT)
_OPEN, _OPEN_CIRCUIT = Watch.OPEN, Reason.OPEN_CIRCUIT
_OF_LOOKS = frozenset(  # what single readings tell
    {
        *(Watch.OVERFILL, Watch.NEAR, Watch.CONTACT, Watch.LOW, Watch.DRY, Watch.LEVEL_UNKNOWN),
        *(Watch.DISAGREE, Watch.PUMP_STOPPED, Watch.HOT, Watch.COLD, Watch.HUMID),
        *(Watch.ABOVE, Watch.BELOW, Watch.SILENT, Watch.DRIFT, Watch.OPEN),
    }
)
_HIGH = (Watch.OVERFILL, Watch.NEAR, Watch.CONTACT, Watch.HOT, Watch.HUMID, Watch.ABOVE)
_LOW = (Watch.DRY, Watch.LOW, Watch.COLD, Watch.BELOW)
_MAY_REST = (_SILENT, _OPEN)  # says nothing of a reading that passes


class _Silences(NamedTuple):
    """What watches whether the probes of one bus are asked at all."""

    bus: str
    plans: list[tuple[AlarmPlan, float]]  # and how long its probe may wait, s
    probes: list[str]
    least: float  # s, the shortest of these times


def _silences_of(rig: Rig) -> list[_Silences]:
    least, periods = UNSEEN
    probes = {probe.name: probe for probe in rig.probes}
    by_bus: dict[str, list[tuple[AlarmPlan, float]]] = {}
    for plan in rig.alarms:
        if plan.watch is _SILENT:
            probe = probes[plan.subject]
            by_bus.setdefault(probe.bus, []).append((plan, max(least, periods * probe.every)))
    return [
        _Silences(bus, plans, [plan.subject for plan, _ in plans], min(most for _, most in plans))
        for bus, plans in by_bus.items()
    ]


class AlarmBook:
    """Looks at everything that alarms watch; asks nothing, is told everything.

    Parameters
    ----------
    rig : Rig
        As checked.
    left : mapping
        How each alarm was left by the run before, from the record.
    now : float
        CLOCK_BOOTTIME, s; what was last seen of buses and the level counts from here.
    rates : Rates
        What counts as too many alarms.
    """

    def __init__(
        self, rig: Rig, left: Mapping[str, AlarmLeft], *, now: float, rates: Rates = _USUAL
    ) -> None:
        self._plans = {plan.key: plan for plan in rig.alarms}
        self.lives = AlarmLives(rig.alarms, left, now=now, rates=rates)
        self._probes = {probe.name: probe for probe in rig.probes}
        self._by_probe: dict[str, list[AlarmPlan]] = {name: [] for name in self._probes}
        self._by_subject: dict[tuple[Watch, str], list[AlarmPlan]] = {}
        for plan in rig.alarms:
            self._by_subject.setdefault((plan.watch, plan.subject), []).append(plan)
            if plan.watch in _OF_LOOKS:
                self._by_probe[self._paced_by(plan)].append(plan)
        self._level = rig.reservoir.level if rig.reservoir else ""
        self._ticked = [plan for plan in rig.alarms if plan.watch in _TICKED]
        # Probes of which only silence or an open circuit could be told, and whose alarms have
        # nothing to clear: what nearly all are at nearly every look. A step that changes the
        # alarm's life ends it.
        self._quiet: set[str] = set()
        self._compared = {
            name
            for plan in rig.alarms
            if plan.watch in (Watch.DRIFT, Watch.DISAGREE)
            for name in (plan.subject, plan.against)
        }
        self._fastest = {
            bus.name: min((p.every for p in rig.probes if p.bus == bus.name), default=60.0)
            for bus in rig.buses
        }
        self._bus_at = dict.fromkeys(self._fastest, now)
        self._losses = {name: deque[float](maxlen=FLAPS) for name in self._fastest}
        self._down = dict.fromkeys(self._fastest, False)
        self._seen_at = dict.fromkeys(self._probes, now)
        self._silences = _silences_of(rig)
        self._good: dict[str, tuple[float, Reason, float]] = {}

    def _paced_by(self, plan: AlarmPlan) -> str:
        """The probe whose looks move an alarm on: its own, or the slower of two that are compared.

        Between two looks of the slower the other may have followed the water already.
        """
        if plan.watch is Watch.DISAGREE and plan.against is not None:
            float_s, level_s = (self._probes[n].every for n in (plan.subject, plan.against))
            return plan.subject if float_s > level_s else plan.against
        return plan.subject

    def standing_now(self) -> int:
        """How many alarms stand that nobody shelved and no other covers."""
        return sum(life.state.standing and life.hiding is None for _, life in self.lives.open())

    def watches_standing(self) -> set[Watch]:
        """What the alarms that stand watch, whoever is told of them."""
        return {plan.watch for plan, life in self.lives.open() if life.state.standing}

    def is_unanswered(self, priority: Priority) -> bool:
        """Whether an alarm of a priority is new and nobody has acknowledged or shelved it."""
        return any(
            plan.priority is priority and life.state is AlarmState.NEW and life.hiding is None
            for plan, life in self.lives.open()
        )

    def orphans(
        self, left: Mapping[str, AlarmLeft], *, utc_ms: int, boottime_ms: int
    ) -> list[AlarmChange]:
        """End what still stood, or was hidden, under a rig file that had other alarms."""
        says = "the rig file has this alarm no longer"
        return [
            AlarmChange(
                *(key, utc_ms, boottime_ms, was.state, AlarmState.NORMAL, None, says, None),
                news=was.told,
            )
            for key, was in left.items()
            if key not in self._plans
            and (was.state is not AlarmState.NORMAL or was.hiding is not None)
        ]

    def scan(self, scan: Scan) -> list[AlarmChange]:
        """Show a scan to every alarm that watches one of its probes."""
        now = scan.boottime_ms / 1000
        self._seen_at.update(dict.fromkeys(scan.probes, now))
        if self._compared:
            for i, name in enumerate(scan.probes):
                if name in self._compared and scan.flags[i] in _GOOD:
                    self._good[name] = (scan.values[i], scan.reasons[i], now)
        changes: list[AlarmChange] = []
        quiet = self._quiet
        if quiet.issuperset(scan.probes) and scan.flags.count(_PASS) == len(scan.flags):
            return changes
        for i, (name, flag) in enumerate(zip(scan.probes, scan.flags, strict=True)):
            if flag is _PASS and name in quiet:
                continue
            value = scan.values[i] if flag in _GOOD else None
            plans = self._by_probe.get(name, ())
            for plan in plans:
                shown = value
                says: Says
                if plan.watch is Watch.DISAGREE:
                    shown, seen, says = self._disagreement(plan, now)
                else:
                    seen, says = self._look(plan, value, flag, scan.reasons[i], now)
                changes += self._step(
                    plan, seen, value=shown, says=says, now=now, utc_ms=scan.utc_ms
                )
            if all(p.watch in _MAY_REST and at_rest(self.lives[p.key]) for p in plans):
                quiet.add(name)
        return changes

    def bus(self, name: str, down: str | None, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Show the state a bus was in during its last pass."""
        self._bus_at[name] = now
        losses = self._losses[name]
        if down is not None and not self._down[name]:
            losses.append(now)
        self._down[name] = down is not None
        flaps = len(losses) == FLAPS and now - losses[0] <= FLAP_SPAN
        says = "the bus answers"
        if down is not None or flaps:
            says = down or f"lost {FLAPS} times within {age_words(now - losses[0])}"
        there = down is not None or flaps
        return self._state(Watch.BUS, name, there, says, now=now, utc_ms=utc_ms)

    def outlet(self, name: str, away: str | None, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Show how the last attempt to send something went."""
        says = away or "it takes what is sent"
        return self._state(Watch.OUTLET, name, away is not None, says, now=now, utc_ms=utc_ms)

    def behind(self, name: str, says: str | None, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Show how much an outlet still has to send that it should have; None is well."""
        well = "it has caught up"
        there = says is not None
        return self._state(Watch.BEHIND, name, there, says or well, now=now, utc_ms=utc_ms)

    def standing(
        self, watch: Watch, wrong: str | None, *, now: float, utc_ms: int
    ) -> list[AlarmChange]:
        """Show how it stands with the record, its disk, or the computer; None is well."""
        subject = COMPUTER if watch in OF_THE_COMPUTER else RECORD
        says = wrong or _WELL[watch]
        return self._state(watch, subject, wrong is not None, says, now=now, utc_ms=utc_ms)

    def found(
        self, found: Mapping[tuple[Watch, str], str], *, now: float, utc_ms: int
    ) -> list[AlarmChange]:
        """Show all that judging finds wrong with probes, and why; what it does not say is well."""
        changes: list[AlarmChange] = []
        for watch, subject in self._by_subject:
            if watch in FOUND:
                says = found.get((watch, subject))
                there, well = says is not None, "nothing speaks against it any more"
                changes += self._state(watch, subject, there, says or well, now=now, utc_ms=utc_ms)
        return changes

    def water(
        self, found: Mapping[Watch, str | None], *, now: float, utc_ms: int
    ) -> list[AlarmChange]:
        """Show what the balance of the water says; None is well, and what it leaves out unknown."""
        changes: list[AlarmChange] = []
        for watch, says in found.items():
            there, well = says is not None, "the balance shows it no more"
            changes += self._state(watch, self._level, there, says or well, now=now, utc_ms=utc_ms)
        return changes

    def happened(self, watch: Watch, says: str, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Tell what stands until somebody acknowledges it: a damaged record, a cut."""
        subject = COMPUTER if watch in OF_THE_COMPUTER else RECORD
        return self._state(watch, subject, True, says, now=now, utc_ms=utc_ms)

    def tick(self, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Look for silence: a worker that hangs delivers no pass that could say so."""
        changes = self.lives.tick(At(now, utc_ms))
        for bus, at in self._bus_at.items():
            if now - at > max(BUS_PATIENCE, 3 * self._fastest[bus]):
                says = f"no pass has ended for {age_words(now - at)}"
                changes += self._state(Watch.BUS, bus, True, says, now=now, utc_ms=utc_ms)
        for silences in self._silences:
            changes += self._unasked(silences, now=now, utc_ms=utc_ms)
        for plan in self._ticked:
            if plan.watch in _UNTIL_ANSWERED:
                if self.lives[plan.key].state is _ANSWERED:
                    says = "somebody knows of it"
                    changes += self._step(
                        plan, Seen.AWAY, value=None, says=says, now=now, utc_ms=utc_ms
                    )
            else:
                at = self._seen_at[plan.subject]
                if now - at > max(30.0, 5 * self._probes[plan.subject].every):
                    says = f"the level was last looked at {age_words(now - at)} ago"
                    changes += self._step(
                        plan, Seen.THERE, value=None, says=says, now=now, utc_ms=utc_ms
                    )
        return changes

    def _unasked(self, silences: _Silences, *, now: float, utc_ms: int) -> list[AlarmChange]:
        """Tell of probes that their bus, which answers, has not asked for too long."""
        changes: list[AlarmChange] = []
        answered, seen_at = self._bus_at[silences.bus], self._seen_at
        # One look at all of them: hardly ever has one waited so long.
        if answered - min(map(seen_at.__getitem__, silences.probes)) <= silences.least:
            return changes
        for plan, most in silences.plans:
            at = seen_at[plan.subject]
            if answered - at > most:
                says = f"last asked {age_words(now - at)} ago: its bus has more to do than it can"
                changes += self._step(
                    plan, Seen.THERE, value=None, says=says, now=now, utc_ms=utc_ms
                )
        return changes

    def _look(
        self, plan: AlarmPlan, value: float | None, flag: Flag, reason: Reason, now: float
    ) -> tuple[Seen | None, Says]:
        probe = self._probes[plan.subject]
        if plan.watch is _SILENT:
            if reason is _OPEN_CIRCUIT and probe.kind is Kind.PINS:
                return Seen.AWAY, "it answers: open circuit"  # which has an alarm of its own
            absent = flag in (Flag.MISSING, Flag.FAIL)
            # A bus that is down has an alarm of its own; its probes add nothing to it.
            if reason is Reason.BUS_DOWN or (absent and self._down[probe.bus]):
                return None, ""
            return state_of(absent), partial(_reason_or_value, probe, value, reason)
        if plan.watch is _OPEN:
            if flag is Flag.MISSING:
                return None, ""  # nobody knows
            there = reason is _OPEN_CIRCUIT
            return state_of(there), partial(_reason_or_value, probe, value, reason)
        if plan.watch is Watch.LEVEL_UNKNOWN:
            return state_of(value is None), partial(_reason_or_value, probe, value, reason)
        shown, unit = value_words(probe.kind, value, reason), probe.unit_words
        if value is None:
            return None, ""
        if probe.kind is Kind.FLOAT:
            return state_of(value >= 0.5), f"the float is {shown}"
        if plan.setpoint is None:
            raise ValueError(f"the alarm {plan.key} has no setpoint to compare {shown} with")
        if plan.watch is Watch.PUMP_STOPPED:
            says = f"{shown} {unit}, runs from {plan.setpoint:g} {unit}"
            return below(value, least=plan.setpoint), says
        limits = {"setpoint": plan.setpoint, "deadband": plan.deadband}
        against = f"{shown} {unit}, setpoint {plan.setpoint:g} {unit}"
        if plan.watch in _HIGH:
            return _sure(high(value, **limits), reason, rising=True), against
        if plan.watch in _LOW:
            return _sure(low(value, **limits), reason, rising=False), against
        return self._drift(plan, probe, value, reason, now, limits)

    def _disagreement(self, plan: AlarmPlan, now: float) -> tuple[float | None, Seen | None, str]:
        """Compare a float with the level; also what the float says. Unless both are known, none."""
        switch, level = self._probes[plan.subject], self._probes[plan.against or ""]
        up, water = self._standing(switch, now), self._standing(level, now)
        if up is None or water is None or switch.trips_at is None or plan.setpoint is None:
            return None, None, ""
        off = apart(water, up=up >= 0.5, trips_at=switch.trips_at)
        says = (
            f"{switch.name} is {value_words(switch.kind, up, Reason.NONE)} where {level.name} "
            f"reads {value_words(level.kind, water, Reason.NONE)} mm; it trips at "
            f"{switch.trips_at:g} mm"
        )
        return up, high(off, setpoint=plan.setpoint, deadband=plan.deadband), says

    def _standing(self, probe: Probe, now: float) -> float | None:
        """What a probe's last look showed, unless it showed nothing or is long ago."""
        value, _, at = self._good.get(probe.name, (0.0, Reason.NONE, -inf))
        least, periods = FRESH
        if at != self._seen_at[probe.name] or now - at > max(least, periods * probe.every):
            return None
        return value

    def _drift(
        self,
        plan: AlarmPlan,
        probe: Probe,
        value: float,
        reason: Reason,
        now: float,
        limits: Mapping[str, float],
    ) -> tuple[Seen | None, str]:
        if plan.against is None:
            nominal = probe.nominal or 1.0  # the rig file demands one of a reference resistor
            off = (value / nominal - 1) * 100
            says = f"{ohm_words(value)}Ω where {ohm_words(nominal)}Ω is fitted: {off:+.1f} %"
            return high(abs(off), **limits), says
        other = self._probes[plan.against]
        if plan.against not in self._good or now - self._good[plan.against][2] > 2 * max(
            other.record, probe.record
        ):
            return None, ""
        reference, why, _ = self._good[plan.against]
        says = (
            f"{value_words(probe.kind, value, reason)} {probe.unit_words} where {plan.against} "
            f"reads {value_words(other.kind, reference, why)} {other.unit_words}"
        )
        apart = value - reference
        # A bound says only which way the truth lies: with one of them the two are at least that
        # far apart, or nobody knows how far. Two of one sort say nothing at all.
        wetter = reason in AT_LEAST or why in AT_MOST  # than `apart` says
        drier = reason in AT_MOST or why in AT_LEAST
        if (wetter and drier) or (wetter and apart < 0) or (drier and apart > 0):
            return None, ""
        seen = high(abs(apart), **limits)
        return (seen if seen is Seen.THERE or not (wetter or drier) else None), says

    def _state(
        self, watch: Watch, subject: str, there: bool, says: str, *, now: float, utc_ms: int
    ) -> list[AlarmChange]:
        changes: list[AlarmChange] = []
        for plan in self._by_subject.get((watch, subject), ()):
            if there or not at_rest(self.lives[plan.key]):
                seen = state_of(there)
                changes += self._step(plan, seen, value=None, says=says, now=now, utc_ms=utc_ms)
        return changes

    def _step(
        self,
        plan: AlarmPlan,
        seen: Seen | None,
        *,
        value: float | None,
        says: Says,
        now: float,
        utc_ms: int,
    ) -> list[AlarmChange]:
        before = self.lives[plan.key]
        changes = self.lives.step(plan, seen, value=value, says=says, at=At(now, utc_ms))
        if self.lives[plan.key] is not before:
            self._quiet.discard(plan.subject)
        return changes


def _sure(seen: Seen, reason: Reason, *, rising: bool) -> Seen | None:
    """What a value shows that may be a bound: that the truth lies beyond a setpoint, and no more.

    `rising` is whether the alarm stands above its setpoint.
    """
    if reason not in AT_LEAST and reason not in AT_MOST:
        return seen
    shown = Seen.THERE if (reason in AT_LEAST) is rising else Seen.AWAY
    return seen if seen is shown else None


def _reason_or_value(probe: Probe, value: float | None, reason: Reason) -> str:
    return reason.words or f"{value_words(probe.kind, value, reason)} {probe.unit_words}"
