"""When a button was pressed, from what it is seen as, look by look. Pure."""

from enum import StrEnum
from typing import NamedTuple

LONGEST_PRESS = 10.0  # s: a thing that leans on it is no press
STUCK = 60.0  # s


class Told(StrEnum):
    """What a look at a button tells."""

    PRESSED = "pressed"
    STUCK = "stuck"
    FREE = "free again"


class Press(NamedTuple):
    """What is remembered of a button; times in s on a clock that is never set.

    `down` is whether it was seen pressed, None before it was seen at all; `since` when that began.
    `begun` is whether it was seen to go down, which one that is down at the start was not.
    """

    down: bool | None = None
    since: float = 0.0
    begun: bool = False
    stuck: bool = False


def look(state: Press, pressed: bool | None, now: float) -> tuple[Press, Told | None]:
    """Go on by one look.

    Parameters
    ----------
    state : Press
        What the look before left; `Press()` at first.
    pressed : bool or None
        What it is seen as, debounced; None is not known, and what was before it counts no more.
    now : float
        When, s.

    Returns
    -------
    (Press, Told or None)
        It counts once it is let go within `LONGEST_PRESS`: whoever leans a ladder on it opens
        nothing.
    """
    if pressed is None:
        return Press(stuck=state.stuck), None
    if pressed and not state.down:
        return Press(True, now, begun=state.down is False, stuck=state.stuck), None
    if pressed:
        if now - state.since > STUCK and not state.stuck:
            return state._replace(stuck=True), Told.STUCK
        return state, None
    told = None
    if state.stuck:
        told = Told.FREE
    elif state.down and state.begun and now - state.since < LONGEST_PRESS:
        told = Told.PRESSED
    return Press(False, now), told
