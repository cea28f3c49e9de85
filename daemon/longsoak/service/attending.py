"""What answers back at the rig: buzzer and lamp, and a valve while somebody attends to it.

In the measuring process, so that nobody else has to be alive for a valve to shut. It sees each pass
before it is kept; whatever it does not know shuts the valve.
"""

from collections.abc import Callable, Collection
from dataclasses import replace

from longsoak.core.water.filling import Filling, may_begin, must_end, must_wait
from longsoak.core.water.guide import Look, Setting, Told, TopUp, Word, is_settled, step
from longsoak.core.water.pour import USUAL_LAG, WINDOW
from longsoak.service.switchboard import Pattern
from longsoak.store.topuprequests import FILL_HOLDS, GUIDED_FOR, Fill
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import FILLS, Output, OutputKind, Rig

RENEWS = 1.0  # s between two askings of an output that is to stay on
_GUIDED = {Word.READY: None, Word.POURING: None, Word.SLOW: Pattern.STEADY}  # all others: fast
_ALARM = {OutputKind.LAMP: Pattern.STEADY, OutputKind.BUZZER: Pattern.SLOW}

Order = Callable[[Output, Pattern | None], None]
News = Callable[[str, str], None]


class Attending:
    """Drives the outputs of a rig.

    Parameters
    ----------
    rig : Rig
        The rig as checked.
    order : callable
        Tells the bus of an output what it is to be for the next seconds.
    why_off : callable
        Why an output is off though it was asked for; None if it is not.
    news : callable
        Told of what a valve did: its name, and a sentence.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        order: Order,
        why_off: Callable[[Output], str | None],
        news: News,
    ) -> None:
        self._order = order
        self._why_off = why_off
        self._news = news
        self._signals = [output for output in rig.outputs if output.kind not in FILLS]
        self._valves = {output.name: output for output in rig.outputs if output.kind in FILLS}
        self._setting: Setting | None = None
        if rig.reservoir is not None and rig.outputs:
            level = next(p for p in rig.probes if p.name == rig.reservoir.level)
            period = min(level.every, 1.0)
            self._setting = Setting(rig.reservoir, rig.specimen.underside, period, USUAL_LAG)
        self._guided_until = -1.0
        self._state = TopUp()
        self._look = Look(0.0)
        self._told = Told(Word.UNKNOWN)
        self._fill: Filling | None = None
        self._over: dict[str, str] = {}  # fills that have ended, and why
        self._ordered: dict[str, tuple[Pattern | None, float]] = {}

    def guide(self, now: float, *, lag: float) -> None:
        """Have lamp and buzzer tell of a top-up for as long as that holds; `lag` in s."""
        if self._setting is not None:
            self._setting = replace(self._setting, lag=lag)
        if now >= self._guided_until:
            self._state, self._told = TopUp(), Told(Word.UNKNOWN)
        self._guided_until = now + GUIDED_FOR

    def seen(self, scan: Scan) -> None:
        """Take in a pass, if it brought level or float."""
        if self._setting is None:
            return
        reservoir, now = self._setting.reservoir, scan.boottime_ms / 1000
        before = self._look
        for name, value, uncertainty, flag in zip(
            scan.probes, scan.values, scan.uncertainties, scan.flags, strict=True
        ):
            good = flag not in (Flag.FAIL, Flag.MISSING) and value == value
            if name == reservoir.level:
                known = (value, uncertainty, now) if good else (None, None, now)
                self._look = self._look._replace(
                    level=known[0], uncertainty=known[1], taken=known[2]
                )
            elif name == reservoir.float_switch:
                self._look = self._look._replace(up=value > 0 if good else None, up_taken=now)
        if self._look is not before:
            self._step(now)

    def fill(self, asked: Fill, standing: Collection[Watch], *, by: str, now: float) -> str:
        """Begin a fill, or let it go on; the outcome in words."""
        there = self._fill
        if there is not None and there.name == asked.name:
            self._fill = replace(there, renewed=now)
            return "goes on"
        if asked.name in self._over:  # asked again by whoever has not heard yet
            return f"refused: {self._over[asked.name]}"
        valve = self._valves.get(asked.valve)
        if valve is None:
            return f"refused: there is no fill valve or pump relay {asked.valve!r} on this rig"
        if there is not None:
            return f"refused: {there.by} fills through {there.valve.name}; one at a time"
        if now >= self._guided_until:
            return "refused: no top-up is guided. Use `longsoak topup` with --valve"
        self._step(now)
        why = self._why_off(valve) or may_begin(self._told, standing, litres=asked.litres)
        if why is not None:
            return f"refused: {why}"
        poured = self._told.poured or 0.0
        self._fill = Filling(valve, asked.litres, asked.name, by, now, now, poured)
        self._news(valve.name, f"opened by {by} for {asked.litres:g} L")
        self._drive(valve, Pattern.STEADY, now)
        return "open"

    def stop(self, valve: str, *, by: str, now: float) -> str:
        """End the fill through a valve; the outcome in words."""
        if self._fill is None or self._fill.valve.name != valve:
            return "it is shut"
        self._shut(f"{by} stopped it", now)
        return "shut"

    def turn(self, standing: Collection[Watch], *, alarmed: bool, now: float) -> None:
        """Go on; called several times a second.

        Parameters
        ----------
        standing : collection of Watch
            What alarms that stand watch.
        alarmed : bool
            Whether a high alarm is new and nobody has acknowledged it.
        now : float
            CLOCK_BOOTTIME, s.
        """
        guided = now < self._guided_until
        if guided or self._fill is not None:
            self._step(now)
        if self._fill is not None:
            why = self._why_off(self._fill.valve) or must_end(
                self._fill, self._told, standing, now=now, holds=FILL_HOLDS
            )
            if why is not None:
                self._shut(why, now)
            else:
                self._fill = fill = self._in_goes(self._fill, now)
                self._drive(fill.valve, Pattern.STEADY if fill.waits_since is None else None, now)
        for output in self._signals:
            alarm = _ALARM[output.kind] if alarmed else None
            told = _GUIDED.get(self._told.word, Pattern.FAST) if guided else None
            self._drive(output, told or alarm, now)

    @property
    def fills(self) -> str | None:
        """Through which valve somebody fills, if anybody does."""
        return None if self._fill is None else self._fill.valve.name

    def shut(self, why: str, *, now: float) -> None:
        """End a fill, if one is under way."""
        if self._fill is not None:
            self._shut(why, now)

    def _in_goes(self, fill: Filling, now: float) -> Filling:
        """The fill, which waits until the water is at rest where all may be on its way."""
        if fill.waits_since is None:
            return replace(fill, waits_since=now) if must_wait(fill, self._told) else fill
        at_rest = now - fill.waits_since >= WINDOW and is_settled(self._state)
        return replace(fill, waits_since=None) if at_rest else fill

    def _step(self, now: float) -> None:
        if self._setting is not None:
            self._state, self._told = step(self._state, self._look._replace(at=now), self._setting)

    def _shut(self, why: str, now: float) -> None:
        assert self._fill is not None  # noqa: S101 - who calls has looked
        fill, self._fill = self._fill, None
        self._over[fill.name] = why
        self._drive(fill.valve, None, now)
        poured = self._told.poured
        litres = "an unknown amount" if poured is None else f"{poured - fill.poured:.1f} L"
        self._news(
            fill.valve.name,
            f"shut after {now - fill.begun:.0f} s, with {litres} in by the level: {why}",
        )

    def _drive(self, output: Output, pattern: Pattern | None, now: float) -> None:
        before, at = self._ordered.get(output.name, (None, -RENEWS))
        if pattern is not before or (pattern is not None and now - at >= RENEWS):
            self._ordered[output.name] = (pattern, now)
            self._order(output, pattern)
