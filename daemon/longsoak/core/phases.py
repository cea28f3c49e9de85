"""The phases of a test as entries of the logbook: begun, ended, and put in their order. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339, time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.gate import GateName, GateState
from longsoak.vocabulary.logbook import PHASE, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

CONDITIONING, BASELINE, DRY_RUN, WETTING, DRYING = WORDS = (
    *("conditioning", "baseline", "dry run", "wetting", "drying"),
)
LONGEST_NAME = 80  # characters
LONGEST_REASON = 1000
_FURTHER = frozenset({"control", "gates", "although", "safe_by"})  # there where they are needed


@dataclass(frozen=True, slots=True)
class Phase:
    """A phase that counts: the entry that begins it, and when the next one or an end ends it.

    Times are UTC ms; `until_ms` is None while it goes on. `control` is the bay that stays unwetted
    in it, empty where none was named. `unmet` are the gates that were not met when a wetting began,
    and `although` is why it did all the same; `gated` is whether gates were looked at.
    """

    number: int
    phase: str
    name: str
    from_ms: int
    until_ms: int | None
    by: str
    says: str
    control: str = ""
    unmet: tuple[str, ...] = ()
    although: str = ""
    gated: bool = False

    @property
    def title(self) -> str:
        """Its name with what it is: "wetting, first wetting"."""
        return f"{self.phase}, {self.name}" if self.name else self.phase


def phase_content(
    phase: str | None,
    *,
    name: str = "",
    control: str = "",
    gates: Mapping[str, Json] | None = None,
) -> dict[str, Json]:
    """What an entry of the kind "phase" holds: what begins with it, None where one only ends.

    The key `control` is there where one is named only, and what `longsoak.core.gates.gate_content`
    keeps of a wetting's gates where they were looked at: an entry without them is what it was
    before there were any.
    """
    content: dict[str, Json] = {"phase": phase, "name": name, **(gates or {})}
    return {**content, "control": control} if control else content


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "phase"; None if nothing is."""
    content = entry.content
    phase, name = content.get("phase"), content.get("name")
    control = content.get("control", "")
    if content.keys() - _FURTHER != {"phase", "name"} or (phase is not None and phase not in WORDS):
        return f"A phase is one of {', '.join(WORDS)}, or none where one ends without a next"
    if not isinstance(name, str) or len(name) > LONGEST_NAME or (name and not name.isprintable()):
        return f"The name of a phase is one line of up to {LONGEST_NAME} characters"
    if not isinstance(control, str) or len(control) > LONGEST_NAME:
        return "The unwetted control of a phase is a bay by its name, or empty"
    if phase is None and name:
        return "An end has no name: it ends the phase there is"
    if phase is None and control:
        return "An end has no control: it ends the phase there is"
    return _wrong_gates(content)


def _wrong_gates(content: Mapping[str, Json]) -> str | None:
    if not content.keys() & {"gates", "although", "safe_by"}:
        return None
    if content["phase"] != WETTING:
        return f"Only a {WETTING} has gates before it"
    for key in ("although", "safe_by"):
        words = content.get(key, "")
        if not isinstance(words, str) or not words.isprintable() or len(words) > LONGEST_REASON:
            return f"Why a wetting begins is one line of up to {LONGEST_REASON} characters"
    gates = content.get("gates")
    if not isinstance(gates, Mapping) or gates.keys() - set(GateName):
        return f"The gates of a wetting are {', '.join(GateName)}"
    for gate in gates.values():
        if not isinstance(gate, Mapping) or gate.keys() != {"state", "says"}:
            return "A gate has a state and a sentence"
        if gate["state"] not in tuple(GateState) or not isinstance(gate["says"], str):
            return f"A gate is one of {', '.join(GateState)}"
    if unmet(content) and not content.get("although"):
        return "A wetting that begins before all its gates are met needs a reason"
    return None


def unmet(content: Mapping[str, Json]) -> tuple[str, ...]:
    """The gates that were not met when a wetting began, by its entry's content."""
    gates = content.get("gates")
    if not isinstance(gates, Mapping):
        return ()
    return tuple(
        name
        for name in GateName
        if isinstance(gate := gates.get(name), Mapping) and gate["state"] != GateState.MET
    )


def kept_gates(content: Mapping[str, Json]) -> dict[str, Json]:
    """What an entry keeps of its gates: what one that sets it right takes over."""
    return {key: content[key] for key in ("gates", "although", "safe_by") if key in content}


def unknown_control(entry: LogbookEntry, rig: Rig) -> str | None:
    """What is wrong with the control of a phase on a rig; None if nothing is."""
    control, bays = str(entry.content.get("control", "")), [bay.name for bay in rig.specimen.bays]
    if not control or control in bays:
        return None
    there = ", ".join(map(repr, bays))
    return f"There is no bay {control[:60]!r} that could be the control. The bays are {there}"


def begins_words(entry: LogbookEntry) -> str:
    """What an entry of the kind "phase" does, in words."""
    if entry.content["phase"] is None:
        return "the phase ends"
    name, control = entry.content["name"], entry.content.get("control")
    beside = f", with {control} as unwetted control" if control else ""
    says = f"{entry.content['phase']} begins{f': {name}' if name else ''}{beside}"
    return f"{says}, {although_words(entry.content)}" if unmet(entry.content) else says


def although_words(content: Mapping[str, Json]) -> str:
    """Which gates a wetting began without, and why: "although not met: proof (It is ...)"."""
    return f"although not met: {', '.join(unmet(content))} ({content.get('although')})"


def phases(entries: Iterable[LogbookEntry]) -> list[Phase]:
    """The phases that count, oldest first; `entries` may be of any kind.

    An entry that was corrected counts no more: one of the same kind stands in its place, any other
    takes it away. Of two that begin at the same moment the later written one counts.
    """
    counts = [entry for entry in entries if entry.kind == PHASE and not entry.corrected_by]
    steps = sorted((speaks_of_ms(entry), entry.number, entry) for entry in counts)
    ends: list[int | None] = [at for at, _, _ in steps[1:]]
    found = []
    for (at, number, entry), until in zip(steps, [*ends, None], strict=False):
        phase = entry.content["phase"]
        if phase is None or until == at:
            continue
        name = str(entry.content["name"])
        found.append(
            Phase(
                number,
                str(phase),
                name,
                at,
                until,
                entry.by,
                entry.says,
                control=str(entry.content.get("control", "")),
                unmet=unmet(entry.content),
                although=str(entry.content.get("although", "")),
                gated="gates" in entry.content,
            )
        )
    return found


def phase_at(found: Sequence[Phase], utc_ms: int) -> Phase | None:
    """The phase at a time, of those that count."""
    return next(
        (p for p in found if p.from_ms <= utc_ms and (p.until_ms is None or utc_ms < p.until_ms)),
        None,
    )


def begun(
    phase: str,
    *,
    name: str,
    by: str,
    says: str,
    at_ms: int,
    now_ms: int,
    corrects: int | None = None,
    control: str = "",
    gates: Mapping[str, Json] | None = None,
) -> LogbookEntry:
    """The entry that begins a phase; `says` is why, `control` the bay that stays unwetted.

    `gates` are what `longsoak.core.gates.gate_content` makes of a wetting's.
    """
    content = phase_content(phase, name=name, control=control, gates=gates)
    return _entry(content, by=by, says=says, at_ms=at_ms, now_ms=now_ms, corrects=corrects)


def ended(
    known: Sequence[Phase],
    *,
    by: str,
    says: str,
    at_ms: int,
    now_ms: int,
    corrects: int | None = None,
) -> LogbookEntry:
    """The entry that ends the phase there is at a time, of those `known`.

    Raises
    ------
    RequestError
        There is none then, so that nothing ends.
    """
    if corrects is None and phase_at(known, at_ms) is None:
        raise RequestError(
            f"No phase goes on {time_words(at_ms)}, so none can end. Nothing was kept."
        )
    return _entry(
        phase_content(None), by=by, says=says, at_ms=at_ms, now_ms=now_ms, corrects=corrects
    )


def _entry(
    content: dict[str, Json], *, by: str, says: str, at_ms: int, now_ms: int, corrects: int | None
) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=at_ms,
        by=by,
        says=says,
        kind=PHASE,
        corrects=corrects,
        content=content,
    )


def phase_document(phase: Phase) -> dict[str, Json]:
    """A phase for programs: times in RFC 3339 UTC."""
    return {
        "number": phase.number,
        "phase": phase.phase,
        "name": phase.name,
        "control": phase.control or None,
        "from": rfc3339(phase.from_ms),
        "until": None if phase.until_ms is None else rfc3339(phase.until_ms),
        "by": phase.by,
        "says": phase.says,
        "gates_looked_at": phase.gated,
        "gates_not_met": list(phase.unmet),
        "although": phase.although or None,
    }
