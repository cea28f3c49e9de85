"""Lamp, buzzer and valve, as the measuring process drives them on a simulated tray."""

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.service.attending import Attending
from longsoak.service.switchboard import Pattern, Switchboard
from longsoak.store.topuprequests import Fill
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Output, OutputKind, Rig
from rigs import small_rig

LAMP = Output("stop lamp", OutputKind.LAMP, "tray", {"line": 22})
BUZZER = Output("buzzer", OutputKind.BUZZER, "tray", {"line": 23})
VALVE = Output("fill valve", OutputKind.FILL_VALVE, "tray", {"line": 24}, longest=300)
RIG: Rig = replace(small_rig(), outputs=(LAMP, BUZZER, VALVE))
EVERY = 0.25  # s between two turns of the recorder


class Tray:
    """A tray whose valve, while it is on, lets in `rate` mm a second; the level follows late."""

    def __init__(self, *, level: float = 70.0, rate: float = 0.3, lag: float = 15.0) -> None:
        self.now = 1000.0
        self.true = self.shown = level
        self.rate, self.lag = rate, lag
        self.up = False
        self.silent = self.float_silent = False
        self.news: list[str] = []
        self.board = Switchboard(RIG.outputs)
        self.attending = Attending(
            RIG,
            order=lambda output, pattern: self.board.ask(output.name, pattern, self.now),
            why_off=lambda output: self.board.why_off(output.name, self.now),
            news=lambda _, says: self.news.append(says),
        )
        self.on = {output.name: False for output in RIG.outputs}
        self.standing: set[Watch] = set()
        self.alarmed = False

    def go(self, seconds: float, *, fill: Fill | None = None) -> str:
        """Let time pass, asking for a fill each second; the last outcome."""
        outcome = ""
        for turn in range(round(seconds / EVERY)):
            if self.on["fill valve"]:
                self.true += self.rate * EVERY
            self.shown += (self.true - self.shown) * EVERY / self.lag
            self._pass()
            if fill is not None and turn % 4 == 0:
                outcome = self.attending.fill(fill, self.standing, by="mk", now=self.now)
            self.attending.turn(self.standing, alarmed=self.alarmed, now=self.now)
            for output, on in self.board.due(self.now):
                self.on[output] = on
                self.board.switched(output, on)
            self.now += EVERY
        return outcome

    def _pass(self) -> None:
        values: dict[str, float] = {}
        if not self.silent:
            values["water level"] = self.shown
        if not self.float_silent:
            values["high float"] = float(self.up)
        many = len(values)
        self.attending.seen(
            Scan(
                *("tray", 0, round(self.now * 1000), True, tuple(values), ("1",) * many),
                *(tuple(values.values()), tuple(values.values()), (1.0,) * many),
                *((Flag.PASS,) * many, (Reason.NONE,) * many),
            )
        )


def filling(litres: float = 8.0) -> tuple[Tray, Fill]:
    """A tray that is being filled."""
    tray, fill = Tray(), Fill("fill valve", litres, "one")
    tray.attending.guide(tray.now, lag=20)
    tray.go(10)
    assert tray.go(10, fill=fill) == "goes on"
    assert tray.on["fill valve"]
    assert tray.attending.fills == "fill valve"
    return tray, fill


def test_a_fill_ends_by_itself_once_its_litres_are_in_and_is_not_begun_again() -> None:
    tray, fill = filling()
    assert tray.go(240, fill=fill) == "refused: the 8 L asked for are in"
    assert tray.attending.fills is None
    assert not tray.on["fill valve"]
    assert 0.4 * (tray.true - 70) == pytest.approx(8.0, abs=0.4)  # 0.4 L a mm
    assert tray.news[0] == "opened by mk for 8 L"
    assert re.search(r"shut after \d+ s, with (7\.[89]|8\.0) L in by the level", tray.news[1])
    assert len(tray.news) == 2


@pytest.mark.long
@settings(deadline=None)  # minutes of a tray in each
@given(
    level=st.floats(40, 95),
    rate=st.floats(0.02, 0.6),
    lag=st.floats(2, 20),
    litres=st.floats(0.5, 24),
)
def test_no_fill_settles_over_the_line(
    level: float, rate: float, lag: float, litres: float
) -> None:
    tray = Tray(level=level, rate=rate, lag=lag)
    tray.attending.guide(tray.now, lag=20)
    tray.go(8)
    tray.go(100, fill=Fill("fill valve", litres, "one"))
    tray.go(60)
    assert tray.true <= 100
    assert not tray.on["fill valve"]


def _float_up(tray: Tray) -> None:
    tray.up = True


def _level_silent(tray: Tray) -> None:
    tray.silent = True


def _float_silent(tray: Tray) -> None:
    tray.float_silent = True


def _alarm(tray: Tray) -> None:
    tray.standing.add(Watch.DISAGREE)


def _bus_lost(tray: Tray) -> None:
    tray.board.lost(tray.now)
    tray.on = dict.fromkeys(tray.on, False)


@pytest.mark.parametrize(
    ("doubt", "says", "within"),
    [
        (_float_up, "the guide says: float is up", 0.5),
        (_level_silent, "the guide says: level not known", 3.5),
        (_float_silent, "the guide says: level not known", 3.5),
        (_alarm, "an alarm stands: float and level disagree", 0.5),
        (_bus_lost, "its bus was lost", 0.5),
    ],
)
def test_any_doubt_shuts_the_valve_and_says_why(doubt, says: str, within: float) -> None:  # type: ignore[no-untyped-def]  # parametrized
    tray, fill = filling()
    doubt(tray)
    tray.go(within, fill=fill)
    assert not tray.on["fill valve"]
    assert tray.news[-1].endswith(says)
    assert tray.go(5, fill=fill) == f"refused: {says}"


def test_whoever_is_not_heard_any_more_has_stopped() -> None:
    tray, _ = filling()
    tray.go(3.5)
    assert not tray.on["fill valve"]
    assert tray.news[-1].endswith("whoever asked for it is not heard any more")


def test_a_recorder_that_hangs_shuts_it_too() -> None:
    tray, _ = filling()
    tray.now += 3.1  # nobody takes a turn, but for the bus
    assert ("fill valve", False) in tray.board.due(tray.now)


@pytest.mark.parametrize(
    ("fill", "says"),
    [
        (Fill("stop lamp", 1, "a"), "refused: there is no fill valve or pump relay 'stop lamp' on"),
        (Fill("fill valve", 20, "a"), "refused: 20 L is more than the 11.2 L that fit"),
    ],
)
def test_what_may_not_be_filled_is_refused(fill: Fill, says: str) -> None:
    tray = Tray()
    assert tray.go(5, fill=Fill("fill valve", 1, "b")).startswith("refused: no top-up is guided")
    tray.attending.guide(tray.now, lag=20)
    tray.go(10)
    assert tray.attending.fill(fill, (), by="mk", now=tray.now).startswith(says)
    assert not any(tray.on.values())


def test_one_valve_at_a_time_and_a_stop_is_a_stop() -> None:
    tray, _ = filling()
    other = tray.attending.fill(Fill("fill valve", 1, "two"), (), by="ab", now=tray.now)
    assert other == "refused: mk fills through fill valve; one at a time"
    assert tray.attending.stop("fill valve", by="ab", now=tray.now) == "shut"
    tray.go(0.25)
    assert not tray.on["fill valve"]


def lit(tray: Tray) -> Iterator[tuple[bool, bool]]:
    for _ in range(24):
        tray.go(EVERY)
        yield tray.on["stop lamp"], tray.on["buzzer"]


def test_lamp_and_buzzer_tell_of_a_new_high_alarm_until_it_is_acknowledged() -> None:
    tray = Tray()
    assert not any(tray.on.values())
    tray.alarmed = True
    tray.go(0.5)
    seen = list(lit(tray))
    assert all(lamp for lamp, _ in seen)
    assert {buzzer for _, buzzer in seen} == {True, False}  # a second on, a second off
    tray.alarmed = False
    tray.go(0.5)
    assert not any(tray.on.values())


def test_they_are_steady_for_slow_down_and_fast_for_stop_while_a_top_up_is_guided() -> None:
    tray = Tray(level=96.5)  # 98 is the line: 1.5 mm, 0.6 L
    tray.attending.guide(tray.now, lag=20)
    tray.go(10)
    assert set(lit(tray)) == {(True, True)}
    tray.true = tray.shown = 98.5
    tray.go(10)
    assert set(lit(tray)) == {(True, True), (False, False)}
    tray.go(121)
    assert not any(tray.on.values()), "nobody guides any more"
    assert Pattern.FAST.value == (0.25, 0.25)
