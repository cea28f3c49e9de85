"""Which channel moves when one is touched, and which others move with it. Pure.

Two plugs that were swapped read perfectly well; only a touch tells them apart.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log

from longsoak.core.proof.finding import (
    Finding,
    bus_of,
    centre,
    is_open,
    judged,
    most_of,
    scatter,
    silence,
)
from longsoak.core.proof.reads import NOISE, noise_allowed
from longsoak.vocabulary.proof import Json, ProofEntry
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig

FEWEST_BEFORE = 3  # readings at rest that noise can be told from
RESTING = FEWEST_BEFORE + 2  # readings at rest before a touch
TIMES_NOISE = 5.0  # a change that noise makes once in a million readings
CROSS_TALK = 0.02  # of the touched pair's change in ln R; common practice
CROSS_SIGMAS = 3.0

# The least change that counts as moved, in the unit of the value (pins and reference: ln R).
# Common practice: a finger, breath or a raised float does several times that.
LEAST: Mapping[Kind, float] = {
    Kind.PINS: 0.5,
    Kind.REFERENCE: 0.05,
    Kind.HUMIDITY: 2.0,
    Kind.TEMPERATURE: 0.5,
    Kind.LEVEL: 5.0,
    Kind.FLOAT: 0.5,
    Kind.FLOW: 0.2,
    Kind.PUMP_CURRENT: 0.2,
    Kind.SCALE: 1.0,
    Kind.CONDUCTIVITY: 50.0,
    Kind.PH: 0.5,
    Kind.BUTTON: 0.5,
    Kind.POLARISATION: 2000.0,  # a finger on its pins moves it too: that is no channel of its own
}
_OHMIC = (Kind.PINS, Kind.REFERENCE)


@dataclass(frozen=True, slots=True)
class Movement:
    """How far one channel went from where it rested.

    `change` is the farthest, signed, in the unit of the value, for pins and a reference in ln R.
    `noise` is the standard deviation at rest, no less than its kind's allowance; `needed` is what
    counts as moved.
    """

    probe: str
    change: float
    noise: float
    needed: float

    @property
    def moved(self) -> bool:
        """Whether it went farther than noise goes."""
        return abs(self.change) >= self.needed

    @property
    def strength(self) -> float:
        """Its change over what counts as moved: what channels of different kinds compare by."""
        return abs(self.change) / self.needed


def movements(
    before: Mapping[str, Sequence[Reading]],
    after: Mapping[str, Sequence[Reading]],
    *,
    rig: Rig,
    touches: Sequence[ProofEntry] = (),
) -> dict[str, Movement]:
    """How far each channel went between rest and touch.

    Parameters
    ----------
    before, after : mapping of str to sequence of Reading
        By probe: readings at rest, and readings since it was touched.
    rig : Rig
        The rig they belong to.
    touches : sequence of ProofEntry
        Those kept earlier in the same closer look, in that order.

    Returns
    -------
    dict of str to Movement
        In the rig file's order. A probe with fewer than three readings at rest, or none since, is
        left out: of it nothing can be said. So is one that an earlier touch moved and that goes
        back now: a cloth taken off, or damp that dries, is no touch.
    """
    found = {}
    earlier = {name: change for touch in touches for name, change in _moving(touch).items()}
    for probe in rig.probes:
        rest = _levels(probe, before.get(probe.name, ()), rig)
        since = _levels(probe, after.get(probe.name, ()), rig)
        if len(rest) < FEWEST_BEFORE or not since:
            continue
        middle = centre(rest)
        quiet = NOISE[probe.kind].relative if probe.kind in _OHMIC else 0.0
        noise = max(scatter(rest), quiet or noise_allowed(probe.kind, middle))
        change = max((level - middle for level in since), key=abs)
        needed = max(LEAST[probe.kind], TIMES_NOISE * noise)
        movement = Movement(probe.name, change, noise, needed)
        if not _goes_back(movement, earlier.get(probe.name, 0.0)):
            found[probe.name] = movement
    return found


def _goes_back(movement: Movement, earlier: float) -> bool:
    """Whether it went the other way than in an earlier touch, and no farther than that did."""
    opposite = movement.moved and movement.change * earlier < 0
    return opposite and abs(movement.change) <= abs(earlier) + movement.needed


def slowest(readings: Mapping[str, Sequence[Reading]]) -> float:
    """The longest time between two polls of one channel in a row, s; 0 where none has two.

    Whoever waits for a touch waits that long until each channel was looked at once more: a meter
    with a scanner of many channels comes by every half minute.
    """
    gaps = [
        later.utc_ms - earlier.utc_ms
        for of_one in readings.values()
        for earlier, later in pairwise(of_one)
    ]
    return max(gaps, default=0) / 1000


def rested(
    readings: Mapping[str, Sequence[Reading]], touches: Sequence[ProofEntry] = ()
) -> tuple[dict[str, Sequence[Reading]], dict[str, Sequence[Reading]]]:
    """Readings of one stretch parted into those at rest and those since, for a touch.

    For touches one after another in free order, where one closer look serves for all.

    Parameters
    ----------
    readings : mapping of str to sequence of Reading
        By probe, all since the closer look began.
    touches : sequence of ProofEntry
        The touches that were kept since then, in that order.

    Returns
    -------
    tuple of dict
        Before the first touch the first few of each channel are rest. After one, the last few
        before it was kept are; but a channel that moved in a touch has to come to rest anew, so
        that it is not waited for and counts again when it did.
    """
    kept_ms = touches[-1].utc_ms if touches else 0
    moved_ms = {name: touch.utc_ms for touch in touches for name in _moving(touch)}
    before: dict[str, Sequence[Reading]] = {}
    after: dict[str, Sequence[Reading]] = {}
    for name, every in readings.items():
        own = [reading for reading in every if reading.utc_ms > moved_ms.get(name, -1)]
        earlier = sum(reading.utc_ms <= kept_ms for reading in own)
        end = max(earlier, RESTING)
        before[name], after[name] = own[end - RESTING : end], own[end:]
    return before, after


def _moving(touch: ProofEntry) -> dict[str, float]:
    """How far each channel went that a touch moved."""
    moving, changes = touch.content.get("moving"), touch.content.get("changes")
    if not isinstance(moving, list | tuple) or not isinstance(changes, dict):
        return {}
    return {str(name): float(str(changes[str(name)])) for name in moving}


def moved_most(found: Mapping[str, Movement]) -> str | None:
    """The channel that moved most among those that moved: for a touch in free order."""
    moved = [movement for movement in found.values() if movement.moved]
    return max(moved, key=lambda movement: movement.strength).probe if moved else None


def judge_touch(
    probe: Probe,
    before: Mapping[str, Sequence[Reading]],
    after: Mapping[str, Sequence[Reading]],
    *,
    rig: Rig,
    touches: Sequence[ProofEntry] = (),
) -> Finding:
    """Judge whether the channel that was touched moved, it alone, and none along with it.

    Parameters
    ----------
    probe : Probe
        The one that was touched: pins bridged with a wet finger or a damp cloth, a temperature or
        humidity probe held in the hand or breathed on, a float raised.
    before, after, rig, touches
        As for `movements`.

    Returns
    -------
    Finding
        Good if it moved, no other did, and no pair of pins moved along by more than 2 % of the
        touched pair's change in ln R and three times its noise. A temperature and a humidity at
        one place may move together. Content: `moved`, the channel that moved most; `moving`, all
        that did; `changes` by
        probe; `shares`, each pair's change over the touched pair's: a row of the cross-talk
        matrix; `also`, other channels that moved; `cross_talk`, those that moved along.
    """
    found = movements(before, after, rig=rig, touches=touches)
    own = found.get(probe.name)
    most = moved_most(found)
    content: dict[str, Json] = {
        "moved": most,
        "moving": [name for name, movement in found.items() if movement.moved],
        "changes": {name: _short(movement.change) for name, movement in found.items()},
    }
    if own is None:
        says = "Too few readings of it came to tell whether it moved. Look at its bus, then repeat."
        return judged(False, says, content)
    places = {other.name: other for other in rig.probes}
    also = [
        name
        for name, movement in found.items()
        if movement.moved and name != probe.name and not _beside(probe, places[name])
    ]
    if not own.moved:
        heard = f"{', '.join(also)} moved instead: are two plugs or addresses swapped?"
        quiet = silence(after.get(probe.name, ()))
        nothing = "Nothing moved: touch it longer, or look at its wire."
        says = f"It did not move. {heard if also else nothing}"
        if quiet and not also:
            says = f"It was not seen to move, but {quiet}"
        return judged(False, says, content | {"also": also})
    pairs = [
        movement
        for name, movement in found.items()
        if probe.kind is Kind.PINS and places[name].kind is Kind.PINS and name != probe.name
    ]
    shares = {movement.probe: movement.change / own.change for movement in pairs}
    cross_talk = [
        movement.probe
        for movement in pairs
        if movement.probe not in also
        and abs(movement.change) > max(CROSS_TALK * abs(own.change), CROSS_SIGMAS * movement.noise)
    ]
    content |= {
        "also": also,
        "shares": {name: _short(share) for name, share in shares.items()},
        "cross_talk": cross_talk,
    }
    if also:
        says = f"It moved, and so did {', '.join(also)}: do their wires touch, or share one?"
        return judged(False, says, content)
    if cross_talk:
        told = ", ".join(f"{name} by {100 * shares[name]:.2g} %" for name in cross_talk)
        says = f"It moved, and {told} of it came along: leakage between wires, or a slow scanner."
        return judged(False, says, content)
    return judged(True, f"It moved, and none of {len(found) - 1} others watched did.", content)


def _short(number: float) -> float:
    """Four figures: a row for hundreds of channels has to fit into one entry."""
    return float(f"{number:.4g}")


def _levels(probe: Probe, readings: Sequence[Reading], rig: Rig) -> list[float]:
    """What is compared: ln R for what is measured in Ohm, else the value."""
    if probe.kind not in _OHMIC:
        return [reading.value for reading in readings if reading.value is not None]
    bus = bus_of(probe, rig)
    most = most_of(bus)
    # Beyond the meter's range everything is one: open. A dead short has no logarithm.
    return [
        log(most if is_open(reading.raw, bus) else max(reading.raw, 1.0))
        for reading in readings
        if reading.raw is not None
    ]


def _beside(probe: Probe, other: Probe) -> bool:
    """Whether a hand or breath at `probe` reaches `other` too: two sensors of one small chip."""
    airs = (Kind.TEMPERATURE, Kind.HUMIDITY)
    return (
        probe.kind in airs
        and other.kind in airs
        and probe.seat == other.seat
        and any(part is not None for part in probe.seat)
    )
