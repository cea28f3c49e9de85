"""The phases of a test as entries of the logbook: begun, ended, and put in their order. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339, time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import PHASE, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

WORDS = ("conditioning", "baseline", "dry run", "wetting", "drying")
LONGEST_NAME = 80  # characters


@dataclass(frozen=True, slots=True)
class Phase:
    """A phase that counts: the entry that begins it, and when the next one or an end ends it.

    Times are UTC ms; `until_ms` is None while it goes on. `control` is the bay that stays unwetted
    in it, empty where none was named.
    """

    number: int
    phase: str
    name: str
    from_ms: int
    until_ms: int | None
    by: str
    says: str
    control: str = ""

    @property
    def title(self) -> str:
        """Its name with what it is: "wetting, first wetting"."""
        return f"{self.phase}, {self.name}" if self.name else self.phase


def phase_content(phase: str | None, *, name: str = "", control: str = "") -> dict[str, Json]:
    """What an entry of the kind "phase" holds: what begins with it, None where one only ends.

    The key `control` is there where one is named only: an entry without one is what it was before
    controls could be named.
    """
    content: dict[str, Json] = {"phase": phase, "name": name}
    return {**content, "control": control} if control else content


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "phase"; None if nothing is."""
    content = entry.content
    phase, name = content.get("phase"), content.get("name")
    control = content.get("control", "")
    if content.keys() - {"control"} != {"phase", "name"} or (
        phase is not None and phase not in WORDS
    ):
        return f"A phase is one of {', '.join(WORDS)}, or none where one ends without a next"
    if not isinstance(name, str) or len(name) > LONGEST_NAME or (name and not name.isprintable()):
        return f"The name of a phase is one line of up to {LONGEST_NAME} characters"
    if not isinstance(control, str) or len(control) > LONGEST_NAME:
        return "The unwetted control of a phase is a bay by its name, or empty"
    if phase is None and name:
        return "An end has no name: it ends the phase there is"
    if phase is None and control:
        return "An end has no control: it ends the phase there is"
    return None


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
    return f"{entry.content['phase']} begins{f': {name}' if name else ''}{beside}"


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
        control = str(entry.content.get("control", ""))
        found.append(Phase(number, str(phase), name, at, until, entry.by, entry.says, control))
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
) -> LogbookEntry:
    """The entry that begins a phase; `says` is why, `control` the bay that stays unwetted."""
    content = phase_content(phase, name=name, control=control)
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
    }
