"""Limits of outputs that no command can pass."""

from hypothesis import given
from hypothesis import strategies as st

from longsoak.service.switchboard import RENEWED, Pattern, Switchboard
from longsoak.vocabulary.rig import Output, OutputKind

VALVE = Output("valve", OutputKind.FILL_VALVE, "panel", {"line": 22}, longest=20)
LAMP = Output("lamp", OutputKind.LAMP, "panel", {"line": 23})


class Bench:
    """A board with time passing over it, and what is on."""

    def __init__(self, *outputs: Output) -> None:
        self.board = Switchboard(outputs)
        self.on = dict.fromkeys([output.name for output in outputs], False)
        self.now = 0.0
        self.changes = 0

    def go(self, seconds: float, *, ask: Pattern | None = None, name: str = "valve") -> None:
        until = self.now + seconds
        while self.now < until:
            if ask is not None:
                self.board.ask(name, ask, self.now)
            self.look()
            self.now = round(self.now + 0.05, 6)

    def look(self) -> None:
        for output, on in self.board.due(self.now):
            self.on[output] = on
            self.changes += 1
            self.board.switched(output, on)


def test_a_valve_is_off_once_nobody_asks_for_it() -> None:
    bench = Bench(VALVE)
    bench.go(5, ask=Pattern.STEADY)
    assert bench.on["valve"]
    bench.go(RENEWED - 0.1)
    assert bench.on["valve"]
    bench.go(0.3)
    assert bench.on == {"valve": False}


def test_off_is_at_once() -> None:
    bench = Bench(VALVE)
    bench.go(5, ask=Pattern.STEADY)
    bench.board.ask("valve", None, bench.now)
    bench.look()
    assert bench.on == {"valve": False}


def test_after_its_longest_time_it_stays_off_until_asked_anew_after_as_long_a_rest() -> None:
    bench = Bench(VALVE)
    bench.go(19.9, ask=Pattern.STEADY)
    assert bench.on["valve"]
    bench.go(60, ask=Pattern.STEADY)  # whoever goes on asking gets nothing
    assert bench.on == {"valve": False}
    assert bench.board.why_off("valve", bench.now) == "it has been on for its longest time, 20 s"
    bench.go(RENEWED + 0.1)
    bench.go(1, ask=Pattern.STEADY)
    assert bench.on["valve"]


def test_asking_anew_within_the_rest_gets_nothing() -> None:
    bench = Bench(VALVE)
    bench.go(21, ask=Pattern.STEADY)
    bench.board.ask("valve", None, bench.now)
    bench.go(1, ask=Pattern.STEADY)
    assert not bench.on["valve"]
    assert bench.board.why_off("valve", bench.now) is not None


def test_a_bus_that_comes_back_does_not_open_a_valve_but_lights_a_lamp() -> None:
    bench = Bench(VALVE, LAMP)
    bench.board.ask("lamp", Pattern.STEADY, 0.0)
    bench.go(1, ask=Pattern.STEADY)
    assert bench.on == {"valve": True, "lamp": True}
    bench.board.lost(bench.now)
    bench.on = {"valve": False, "lamp": False}
    bench.go(1, ask=Pattern.STEADY)
    assert bench.on == {"valve": False, "lamp": True}
    assert bench.board.why_off("valve", bench.now) == "its bus was lost"
    bench.go(RENEWED + 0.1)
    bench.go(1, ask=Pattern.STEADY)
    assert bench.on["valve"]


def test_fast_is_four_changes_a_second() -> None:
    bench = Bench(LAMP)
    bench.go(2.0, ask=Pattern.FAST, name="lamp")
    assert 7 <= bench.changes <= 9


@given(st.lists(st.tuples(st.booleans(), st.floats(0.05, 8)), max_size=30))
def test_nothing_keeps_a_valve_on_for_longer_than_allowed(orders: list[tuple[bool, float]]) -> None:
    bench, since = Bench(VALVE), None
    for asked, wait in orders:
        bench.board.ask("valve", Pattern.STEADY if asked else None, bench.now)
        until = bench.now + wait
        while bench.now < until:
            bench.look()
            if bench.on["valve"]:
                since = bench.now if since is None else since
                assert bench.now - since <= VALVE.longest + 0.06
            else:
                since = None
            bench.now = round(bench.now + 0.05, 6)
