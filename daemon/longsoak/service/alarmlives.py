"""The lives of all alarms of a rig: what looks, people and time make of them, and who is told.

It knows nothing of sensors; `longsoak.service.watch` looks at those.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from longsoak.core.alarmrates import Chatter, Flood, Rates
from longsoak.core.alarms import (
    LONGEST_SHELVED,
    SHORTEST_SHELVED,
    Delays,
    Life,
    Seen,
    acknowledge,
    has_ended,
    hide,
    is_due_again,
    is_news,
    life_from,
    reset,
    show,
    step,
    tell,
)
from longsoak.core.wording import age_words, time_words
from longsoak.vocabulary.alarm import AlarmChange, AlarmLeft, AlarmState, Hiding
from longsoak.vocabulary.alarmplan import AlarmPlan

# s: what follows from a cause goes with it, a moment later; nobody has to be told in between.
LINGERS = 10.0
_IN_SERVICE = "somebody is working at the rig"

Says = str | Callable[[], str]  # words, or what makes them if they are needed


class At(NamedTuple):
    """A moment: CLOCK_BOOTTIME in s, and UTC in ms since 1970."""

    now: float
    utc_ms: int

    @property
    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME as the record has it."""
        return round(self.now * 1000)


class Answered(NamedTuple):
    """What came of something a person asked for: the changes, and the outcome in words."""

    changes: list[AlarmChange]
    outcome: str


class AlarmLives:
    """Steps every alarm, and decides who is told of what.

    Parameters
    ----------
    plans : iterable of AlarmPlan
        Every alarm of the rig.
    left : mapping
        How each alarm was left by the run before, from the record.
    now : float
        CLOCK_BOOTTIME, s.
    rates : Rates
        What counts as too many alarms.
    """

    def __init__(
        self,
        plans: Iterable[AlarmPlan],
        left: Mapping[str, AlarmLeft],
        *,
        now: float,
        rates: Rates,
    ) -> None:
        self._plans = {plan.key: plan for plan in plans}
        self._delays = {key: Delays(p.on_delay, p.off_delay) for key, p in self._plans.items()}
        self._lives = {
            key: life_from(left[key], now=now) if key in left else Life() for key in self._plans
        }
        # What may change by itself: an alarm that is not at rest, or that something lies over.
        self._open = {key for key, life in self._lives.items() if _is_open(life)}
        self._below: dict[str, list[AlarmPlan]] = {}
        for plan in self._plans.values():
            for root in plan.under:
                self._below.setdefault(root, []).append(plan)
        self._bare: dict[str, float] = {}  # since when nothing covers what is suppressed
        self._service = False
        self._flood, self._chatter, self._rates = Flood(rates), Chatter(rates), rates
        self._news: list[tuple[str, str, str]] = []

    def __getitem__(self, key: str) -> Life:
        """The life of one alarm."""
        return self._lives[key]

    def open(self) -> Iterator[tuple[AlarmPlan, Life]]:
        """Those that are not at rest, or that something lies over."""
        return ((self._plans[key], self._lives[key]) for key in self._open)

    def news(self) -> list[tuple[str, str, str]]:
        """What is worth an event since the last call: kind, subject and words."""
        news, self._news = self._news, []
        return news

    def step(
        self, plan: AlarmPlan, seen: Seen | None, *, value: float | None, says: Says, at: At
    ) -> list[AlarmChange]:
        """Advance one alarm by one look; the changes are its own and of those that hang on it."""
        life = self._lives[plan.key]
        after = step(life, seen, now=at.now, delays=self._delays[plan.key], latching=plan.latching)
        if after is life:
            return []
        if after.state is life.state:
            self._lives[plan.key] = after
            return []
        if not isinstance(says, str):
            says = says()
        return self._become(plan, after, says, value=value, by=None, at=at)

    def tick(self, at: At) -> list[AlarmChange]:
        """Let time do its work: shelvings end, what nobody answers is told again."""
        changes: list[AlarmChange] = []
        if self._flood.on is not self._flood.look(at.now):
            self._tell_flood()
        for key, times in self._chatter.calmed(at.now):
            calm = age_words(self._rates.calm)
            self._news.append(("alarm", key, f"it came {times} times and has been calm for {calm}"))
        for key in tuple(self._open):
            life, plan = self._lives[key], self._plans[key]
            if has_ended(life, now=at.now):
                says = "the shelving is over, and it stands"
                if not life.state.standing:
                    says = "the shelving is over"
                after = show(life, latching=plan.latching)
                changes += self._become(plan, after, says, value=None, by=None, at=at)
            elif life.hiding is Hiding.SUPPRESSED:
                changes += self._uncover(plan, at)
            elif key in self._chatter:
                pass
            elif is_news(life, life):  # it came and went too often to be told, or a run ended
                self._lives[key] = tell(life, now=at.now)
                says = "it stands" if life.state.standing else "it is over"
                changes.append(self._change(plan, life.state, says, at=at, news=True))
            elif is_due_again(life, now=at.now, every=plan.repeat):
                says = f"nobody has answered for {age_words(at.now - life.told_at)}"
                self._lives[key] = tell(life, now=at.now)
                changes.append(self._change(plan, life.state, says, at=at, news=True))
        return changes

    def serve(self, on: bool, at: At) -> list[AlarmChange]:
        """Begin or end a time in which somebody works at the rig."""
        self._service = on
        changes: list[AlarmChange] = []
        for plan in self._plans.values():
            if plan.in_service and plan.key in self._open:
                changes += self._cover(plan, at)
        return changes

    def acknowledge(self, key: str, *, by: str, at: At) -> Answered:
        """Take a person's acknowledgement."""
        plan, life = self._plans.get(key), self._lives.get(key)
        if plan is None or life is None:
            return _unknown(key)
        if life.hiding is not None:
            return _refused(f"the alarm is {life.hiding.value}, and nobody is asked to answer it")
        after = acknowledge(life, latching=plan.latching)
        if after.state is life.state:
            held = "; reset it" if life.state is AlarmState.HELD else ""
            return _refused(f"the alarm is {life.state.value}, there is nothing to answer{held}")
        changes = self._become(plan, after, f"acknowledged by {by}", value=None, by=by, at=at)
        held = ", and held until it is reset" if after.state is AlarmState.HELD else ""
        return Answered(changes, f"acknowledged{held}")

    def reset(self, key: str, *, by: str, at: At) -> Answered:
        """Take a person's word that what is held has been looked into."""
        plan, life = self._plans.get(key), self._lives.get(key)
        if plan is None or life is None:
            return _unknown(key)
        after = reset(life)
        if after.state is life.state:
            return _refused(f"the alarm is {life.state.value}, there is nothing to reset")
        changes = self._become(plan, after, f"reset by {by}", value=None, by=by, at=at)
        return Answered(changes, "reset")

    def shelve(self, key: str, seconds: float, *, why: str, by: str, at: At) -> Answered:
        """Tell nobody of an alarm for a while."""
        plan, life = self._plans.get(key), self._lives.get(key)
        if plan is None or life is None:
            return _unknown(key)
        most = LONGEST_SHELVED[plan.priority]
        if not SHORTEST_SHELVED <= seconds <= most:
            return _refused(
                f"an alarm of {plan.priority} priority can be shelved for a minute up to "
                f"{age_words(most)}, not {age_words(seconds)}"
            )
        if life.hiding is Hiding.OUT_OF_SERVICE:
            return _refused("the alarm is out of service; put it back first")
        after = hide(life, Hiding.SHELVED, ends=at.now + seconds)
        until = time_words(at.utc_ms + round(seconds * 1000))
        says = f"shelved by {by} until {until}: {why}"
        changes = self._become(plan, after, says, value=None, by=by, at=at, seconds=seconds)
        return Answered(changes, f"shelved until {until}")

    def take_out(self, key: str, *, why: str, by: str, at: At) -> Answered:
        """Take an alarm out of service until somebody puts it back."""
        plan, life = self._plans.get(key), self._lives.get(key)
        if plan is None or life is None:
            return _unknown(key)
        if life.hiding is Hiding.OUT_OF_SERVICE:
            return _refused("the alarm is out of service already")
        after = hide(life, Hiding.OUT_OF_SERVICE)
        says = f"taken out of service by {by}: {why}"
        changes = self._become(plan, after, says, value=None, by=by, at=at)
        return Answered(changes, "out of service until somebody puts it back")

    def bring_back(self, key: str, *, by: str, at: At) -> Answered:
        """End a shelving, or put an alarm back into service."""
        plan, life = self._plans.get(key), self._lives.get(key)
        if plan is None or life is None:
            return _unknown(key)
        if life.hiding not in (Hiding.SHELVED, Hiding.OUT_OF_SERVICE):
            return _refused("the alarm is neither shelved nor out of service")
        after = show(life, latching=plan.latching)
        changes = self._become(plan, after, f"put back by {by}", value=None, by=by, at=at)
        return Answered(changes, "put back")

    def _become(
        self,
        plan: AlarmPlan,
        after: Life,
        says: str,
        *,
        value: float | None,
        by: str | None,
        at: At,
        seconds: float | None = None,
    ) -> list[AlarmChange]:
        """Put a changed life in its place, tell who is to be told, and see what hangs on it."""
        key, before = plan.key, self._lives[plan.key]
        came = after.state.standing and not before.state.standing
        if came and self._chatter.raised(key, at.now):
            self._tell_chatter(plan)
        # Also where a shelving ends while another alarm says it all.
        if after.state.standing and (cover := self._covered_by(plan)) is not None:
            hidden = hide(after, Hiding.SUPPRESSED)
            if hidden is not after:
                says, after = f"{says} ({cover})", hidden
        news = is_news(before, after) and key not in self._chatter
        if news:
            if after.state.standing and not before.told:
                self._flood.raised(at.now)
            after = tell(after, now=at.now)
        self._put(key, after)
        changes = [
            self._change(
                plan, before.state, says, at=at, value=value, by=by, news=news, seconds=seconds
            )
        ]
        if before.state.standing is not after.state.standing:
            for other in self._below.get(key, ()):
                changes += self._cover(other, at)
        return changes

    def _cover(self, plan: AlarmPlan, at: At) -> list[AlarmChange]:
        """Hide what another says, or note that nothing covers it any more."""
        life, cover = self._lives[plan.key], self._covered_by(plan)
        if cover is not None and life.state.standing and life.hiding is None:
            self._put(plan.key, hide(life, Hiding.SUPPRESSED))
            return [self._change(plan, life.state, cover, at=at, news=False)]
        if cover is None and life.hiding is Hiding.SUPPRESSED:
            self._bare.setdefault(plan.key, at.now)
        return []

    def _uncover(self, plan: AlarmPlan, at: At) -> list[AlarmChange]:
        """Show what nothing has covered for a moment; also what the run before left so."""
        if self._covered_by(plan) is not None:
            self._bare.pop(plan.key, None)
            return []
        if at.now - self._bare.setdefault(plan.key, at.now) < LINGERS:
            return []
        del self._bare[plan.key]
        after = show(self._lives[plan.key], latching=plan.latching)
        says = "nothing covers it any more"
        return self._become(plan, after, says, value=None, by=None, at=at)

    def _covered_by(self, plan: AlarmPlan) -> str | None:
        """Why nobody has to be told of an alarm that stands, in words; None if somebody has to."""
        if plan.in_service and self._service:
            return _IN_SERVICE
        for root in plan.under:
            if root in self._lives and self._lives[root].state.standing:
                return f"follows from: {self._plans[root].title}"
        return None

    def _put(self, key: str, life: Life) -> None:
        self._lives[key] = life
        if _is_open(life):
            self._open.add(key)
        else:
            self._open.discard(key)

    def _change(
        self,
        plan: AlarmPlan,
        old: AlarmState,
        says: str,
        *,
        at: At,
        news: bool,
        value: float | None = None,
        by: str | None = None,
        seconds: float | None = None,
    ) -> AlarmChange:
        life = self._lives[plan.key]
        until = None
        if life.ends is not None:
            until = at.utc_ms + round((life.ends - at.now) * 1000)
            seconds = life.ends - at.now if seconds is None else seconds
        return AlarmChange(
            *(plan.key, at.utc_ms, at.boottime_ms, old, life.state, value, says, by),
            hiding=life.hiding,
            until_utc_ms=until,
            seconds=seconds,
            news=news,
        )

    def _tell_chatter(self, plan: AlarmPlan) -> None:
        rates = self._rates
        self._news.append(
            (
                "alarm",
                plan.key,
                f"it chatters: it came {rates.chatter} times within "
                f"{age_words(rates.chatter_span)}, and nobody is told until it has been calm for "
                f"{age_words(rates.calm)}",
            )
        )

    def _tell_flood(self) -> None:
        rates, span = self._rates, age_words(self._rates.flood_span)
        says = f"fewer than {rates.flood_over} alarms came within {span}: the flood is over"
        if self._flood.on:
            says = f"more than {rates.flood} alarms came within {span}: a flood"
        self._news.append(("alarm", "all alarms", says))


def _is_open(life: Life) -> bool:
    return life.state is not AlarmState.NORMAL or life.hiding is not None or life.told


def _unknown(key: str) -> Answered:
    return _refused(f"the rig file has no alarm {key!r}")


def _refused(says: str) -> Answered:
    return Answered([], f"refused: {says}")
