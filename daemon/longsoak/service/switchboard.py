"""The outputs of one bus: what each is to be now, within limits that no command can pass.

Kept by the bus's own worker, so that it holds where everybody else has hung: an output is on only
while somebody goes on asking for it, and never for longer than the rig file allows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import inf

from longsoak.vocabulary.rig import FILLS, Output

RENEWED = 3.0  # s for which an output stays on that nobody asks for any more


class Pattern(Enum):
    """How an output is on: s on and s off, in turn."""

    STEADY = (inf, 0.0)
    SLOW = (1.0, 1.0)
    FAST = (0.25, 0.25)


@dataclass(slots=True)
class _State:
    output: Output
    on: bool = False
    pattern: Pattern = Pattern.STEADY
    begun: float = -inf  # of what is asked for now
    asked: float = -inf  # last
    rests_until: float = -inf
    why: str | None = None  # it is off though it is asked for


class Switchboard:
    """What each output of a bus is to be. Times in s on a clock that is never set."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        self._states = {output.name: _State(output) for output in outputs}

    def ask(self, name: str, pattern: Pattern | None, now: float) -> None:
        """Ask for an output to be on for the next `RENEWED` s, or off at once (None)."""
        state = self._states[name]
        if pattern is None:
            state.asked = -inf
            if now >= state.rests_until:
                state.why = None
            return
        lapsed = now - state.asked > RENEWED
        state.asked, state.pattern = now, pattern
        if lapsed and now >= state.rests_until:  # asked anew
            state.why, state.begun = None, now
        elif lapsed and state.why is None:
            state.why = "it rests after its longest time"

    def lost(self, now: float) -> None:
        """Take note that the bus was lost and all of them let go.

        What lets water in stays off until it is asked anew; a lamp comes back with the bus.
        """
        for state in self._states.values():
            state.on = False
            if state.output.kind in FILLS and now - state.asked <= RENEWED:
                state.why = "its bus was lost"

    def due(self, now: float) -> list[tuple[str, bool]]:
        """Which have to be switched now, those that go off first."""
        changes = [
            (name, wanted)
            for name, state in self._states.items()
            if (wanted := self._wanted(state, now)) != state.on
        ]
        return sorted(changes, key=lambda change: change[1])

    def _wanted(self, state: _State, now: float) -> bool:
        if now - state.asked > RENEWED or state.why is not None:
            return False
        if now - state.begun >= state.output.longest:
            state.why = f"it has been on for its longest time, {state.output.longest:g} s"
            state.rests_until = now + state.output.longest
            return False
        on, off = state.pattern.value
        return on == inf or (now - state.begun) % (on + off) < on

    def switched(self, name: str, on: bool) -> None:
        """Take note that one was switched."""
        self._states[name].on = on

    def why_off(self, name: str, now: float) -> str | None:
        """Why an output is off, or would be if it were asked for; None where nothing is wrong."""
        state = self._states[name]
        counts = now < state.rests_until or now - state.asked <= RENEWED
        return state.why if counts else None

    def next(self, now: float) -> float:
        """When to look again, s."""
        on = [state for state in self._states.values() if state.on or now - state.asked <= RENEWED]
        return now + Pattern.FAST.value[0] / 2 if on else inf
