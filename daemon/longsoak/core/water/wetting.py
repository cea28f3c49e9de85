"""Whether water runs down each bay, and for how long it is known to. Pure, streaming.

A pump may have stood while nobody measured: after such a time its state is unknown until a flow or
a current says otherwise. A flow or a current of a bay speaks of that one, any other of all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from longsoak.vocabulary.rig import PUMP, Rig
from longsoak.vocabulary.water import Found, WaterNews, Wetting

_BORNE_OUT = 2  # readings on end that say the same: a flow chatters when it starts
_LATE = 60.0  # s beyond three record periods after which a probe is silent


@dataclass(slots=True)
class _Witness:
    says: bool | None = None
    at: float = 0.0  # of the last reading
    other: int = 0  # readings on end that said otherwise
    since: float = 0.0  # of the first of these, or of what it says


@dataclass(slots=True)
class _Bay:
    state: str = Wetting.UNKNOWN
    since: float = 0.0
    counted: dict[str, float] = field(default_factory=dict)


class Wettings:
    """The wetting of all bays of a rig; without a flow or a current nothing is ever known."""

    def __init__(self, rig: Rig) -> None:
        names = [bay.name for bay in rig.specimen.bays]
        pumps = [probe for probe in rig.probes if probe.kind in PUMP and probe.runs_from]
        self._from = {probe.name: probe.runs_from or 0.0 for probe in pumps}
        self._patience = {probe.name: 3 * probe.record + _LATE for probe in pumps}
        self._of = {
            name: [p.name for p in pumps if p.bay is None or p.bay == name] for name in names
        }
        self._witnesses = {probe.name: _Witness() for probe in pumps}
        self._bays = {name: _Bay() for name in names}
        self._begun = False
        self.due = 0.0  # when silence is to be looked for again, s
        self.known = bool(pumps)

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        return {
            "witnesses": {name: asdict(each) for name, each in self._witnesses.items()},
            "bays": {name: asdict(each) for name, each in self._bays.items()},
        }

    def go_on(self, kept: Mapping[str, Any]) -> None:
        """Go on from a memory, as far as it is of the same probes and bays."""
        for name, each in kept["witnesses"].items():
            if name in self._witnesses:
                self._witnesses[name] = _Witness(**each)
        for name, each in kept["bays"].items():
            if name in self._bays:
                self._bays[name] = _Bay(**each)
        self._begun = True

    def state(self, bay: str) -> Wetting:
        """Whether water runs down a bay."""
        return Wetting(self._bays[bay].state)

    @property
    def running(self) -> bool | None:
        """Whether it runs down any bay; None where that is not known."""
        states = {bay.state for bay in self._bays.values()}
        if Wetting.RUNNING in states:
            return True
        return None if Wetting.UNKNOWN in states else False

    @property
    def wavers(self) -> bool:
        """Whether a probe said otherwise just now, which is not borne out yet."""
        return any(witness.other for witness in self._witnesses.values())

    def counted(self, bay: str, at: float) -> dict[Wetting, float]:
        """Seconds that a bay was running, stopped and unknown, up to a time."""
        kept = self._bays[bay]
        found = {state: kept.counted.get(state, 0.0) for state in Wetting}
        if self._begun:
            found[Wetting(kept.state)] += max(0.0, at - kept.since)
        return found

    def begin(self, at: float) -> None:
        """Note when the first scan came: from then on time counts."""
        self._begun = True
        for bay in self._bays.values():
            bay.since = at

    def take(self, at: float, probe: str, value: float) -> list[WaterNews]:
        """Take a value of a flow or a current."""
        witness, runs = self._witnesses[probe], value >= self._from[probe]
        late = at - witness.at > self._patience[probe]
        witness.at = at
        if runs == witness.says and not late:
            witness.other = 0
            return self.look(at) if at >= self.due else []
        if witness.says is not None and not late:
            witness.other += 1
            if witness.other == 1:
                witness.since = at
            if witness.other < _BORNE_OUT:
                return []
        else:
            witness.since = at
        witness.says, witness.other = runs, 0
        return self._all(at)

    def look(self, at: float) -> list[WaterNews]:
        """Look for probes that have fallen silent."""
        self.due = at + _LATE
        changed = False
        for name, witness in self._witnesses.items():
            if witness.says is not None and at - witness.at > self._patience[name]:
                witness.says, witness.other, witness.since = None, 0, witness.at
                changed = True
        return self._all(at) if changed else []

    def gap(self, at: float) -> list[WaterNews]:
        """Nothing is known since `at`: what the pump did meanwhile, nobody saw."""
        for witness in self._witnesses.values():
            witness.says, witness.other, witness.since = None, 0, at
        return self._all(at)

    def _all(self, at: float) -> list[WaterNews]:
        found: list[WaterNews] = []
        for name, bay in self._bays.items():
            said: Sequence[_Witness] = [self._witnesses[each] for each in self._of[name]]
            states = {witness.says for witness in said}
            if False in states:  # water that one of them does not see does not reach the face
                state, deciding = Wetting.STOPPED, [w for w in said if w.says is False]
            elif states == {True}:
                state, deciding = Wetting.RUNNING, list(said)
            else:
                state, deciding = Wetting.UNKNOWN, [w for w in said if w.says is None]
            if state == bay.state:
                continue
            since = max([bay.since, *(w.since for w in deciding)])
            bay.counted[bay.state] = bay.counted.get(bay.state, 0.0) + since - bay.since
            bay.state, bay.since = state, since
            says = f"{name}: water {_SAYS[state]}."
            found.append(
                WaterNews(Found.WETTING, since, since, says, name, {"state": _CODE[state]})
            )
        return found


_SAYS = {
    Wetting.RUNNING: "runs down the face",
    Wetting.STOPPED: "does not run",
    Wetting.UNKNOWN: "may run or not: no flow or current says",
}
_CODE = {Wetting.STOPPED: 0.0, Wetting.RUNNING: 1.0, Wetting.UNKNOWN: 2.0}
STATE_OF = {code: state for state, code in _CODE.items()}
