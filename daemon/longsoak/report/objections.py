"""What somebody who doubts a test will ask, answered from the record and the rig file, or not."""

from collections.abc import Sequence

from longsoak.core.phases import Phase
from longsoak.report.paper import Listing, Part
from longsoak.vocabulary.logbook import WATER, LogbookEntry
from longsoak.vocabulary.rig import Rig

NOT_DONE = "not done"
NOT_REPRESENTED = (
    "Wind pressure, which drives water through cracks and joints.",
    "Frost, and the expansion of what freezes.",
    "Sun, which heats and dries the face, and what it does to materials over years.",
    "Workmanship on a site, at its pace and in its weather.",
    "Water that has aged on a site: what rain carries, and what it washes out.",
    "The climate of another room, or of the two sides of a wall that stands outdoors.",
    "Any other specimen than this one.",
)
_ASKED = (
    ("workmanship", "Who built it, and is it built as it would be on a site?"),
    ("age", "How old were its materials, and were they cured?"),
    ("replication", "Would another specimen do the same?"),
    ("salts", "Did salts in the material or the water change what the pins read?"),
    ("wicking", "Did water run along leads or pins instead of through the material?"),
    ("control", "Was an unwetted control beside it?"),
    ("operator", "Who read and judged, and did they know which bay was which?"),
    ("interests", "Who paid, and who gains by the answer?"),
    ("raw data", "Can somebody else work it out again?"),
)


def objections(rig: Rig, phases: Sequence[Phase], entries: Sequence[LogbookEntry]) -> list[Part]:
    """Each objection with its answer, or that there is none."""
    rows = tuple(
        (subject, asked, _answer(subject, rig, phases, entries)) for subject, asked in _ASKED
    )
    says = ("An answer is what the rig file says in [report], or what the record shows.",)
    return [Listing("Asked and answered", says, ("about", "objection", "answer"), rows)]


def _answer(
    subject: str, rig: Rig, phases: Sequence[Phase], entries: Sequence[LogbookEntry]
) -> str:
    parts = [rig.answers[subject]] if subject in rig.answers else []
    if subject == "control":
        parts.append(_control(phases))
    elif subject == "replication":
        bays = len(rig.specimen.bays)
        more = f" Its {bays} bays are no replicates of each other." if bays > 1 else ""
        parts.append(f"One specimen: this report speaks of it alone.{more}")
    elif subject == "salts":
        rounds = sum(entry.kind == WATER and not entry.corrected_by for entry in entries)
        if rounds:
            parts.append(f"The water was looked at in {rounds} rounds; the logbook has them.")
    elif subject == "raw data":
        parts.append(
            "Every raw value is in the record beside what it was converted to, and `longsoak "
            "export` writes all of it as open files with their checksums."
        )
    return " ".join(parts) or NOT_DONE


def _control(phases: Sequence[Phase]) -> str:
    wetted = [phase for phase in phases if phase.phase == "wetting"]
    named = list(dict.fromkeys(phase.control for phase in wetted if phase.control))
    if not wetted:
        return "Nothing was wetted yet."
    if not named:
        return "There was none: no phase names an unwetted control."
    without = sum(not phase.control for phase in wetted)
    more = f" {without} of {len(wetted)} wettings had none." if without else ""
    return f"Yes: {', '.join(named)}.{more}"
