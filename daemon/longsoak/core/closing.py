"""The list for the end of a test: what has to be answered before the rig is taken apart. Pure.

What is not done stays in the record as not done, with the reason: an answer that is missing is
asked for by the first sceptic, when the specimen has long gone.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.phases import WETTING, phases
from longsoak.core.wording import rfc3339
from longsoak.vocabulary.logbook import CLOSING, LogbookEntry
from longsoak.vocabulary.proof import Json

SHORTEST_NAME = 3  # characters of a full name; initials are no signature
LONGEST_NAME = 80
CAUTION = (
    "A wet specimen is heavy and may be mouldy: lifting gear for its wet mass, masks and gloves, "
    "mains off before wires are touched, as local codes and licensed practice ask (common "
    "practice)."
)
_KEYS = frozenset({"item", "done", "name"})


@dataclass(frozen=True, slots=True)
class Item:
    """One item: a key for ever, what is asked, and why."""

    key: str
    asks: str
    why: str


# Common practice for tests of months; nothing here is quoted from a standard.
ITEMS = (
    Item(
        "drying criterion",
        "By what was the drying ended: a change of mass or of readings within a stated time?",
        "A specimen that was still drying hides what it held.",
    ),
    Item(
        "photos",
        "Was each face taken from a fixed frame, with a scale and a colour card in the picture?",
        "Only then can a stain be compared with the photo from before the wetting.",
    ),
    Item(
        "witness strip",
        "Was the witness strip read beside a blank one that never was in the rig?",
        "A strip changes colour with age and light too.",
    ),
    Item(
        "repeated proof",
        "Was every channel proven once more, and compared with the proof from before?",
        "A probe that drifted or died meanwhile tells of itself, and not of the wall.",
    ),
    Item(
        "cores",
        "Were cores taken, sealed at once, weighed and dried, with place and depth written down?",
        "They are the only moisture content that needs no curve.",
    ),
    Item(
        "retained water",
        "Was a sample of the reservoir's last water kept, closed and labelled?",
        "Salts and growth are looked for in it when a result is doubted.",
    ),
    Item(
        "storage place",
        "Where are the specimen, its cores and strips kept, until when, and in whose charge?",
        "What can't be found again proves nothing.",
    ),
)
KEYS = tuple(item.key for item in ITEMS)


@dataclass(frozen=True, slots=True)
class Answer:
    """How an item was answered: by entry `number`, of a time in UTC ms.

    `done` is false where it was not done; `says` is then the reason.
    """

    number: int
    at_ms: int
    done: bool
    name: str
    by: str
    says: str
    photos: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answered:
    """An item with the answer that counts; None while it is open."""

    item: Item
    answer: Answer | None


def closing_content(item: str, *, done: bool, name: str) -> dict[str, Json]:
    """What an entry of the kind "closing" holds: the item, whether it was done, a full name."""
    return {"item": item, "done": done, "name": name}


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "closing"; None if nothing is."""
    content: Mapping[str, Json] = entry.content
    if content.keys() != _KEYS or not isinstance(content["done"], bool):
        return "An answer to the closing list has an item, done or not, and a name"
    if content["item"] not in KEYS:
        return f"The items of the closing list are {', '.join(KEYS)}"
    name = content["name"]
    if not isinstance(name, str) or not SHORTEST_NAME <= len(name) <= LONGEST_NAME:
        return (
            f"Whoever answers for the closing list is named in full, {SHORTEST_NAME} to "
            f"{LONGEST_NAME} letters: initials are no signature"
        )
    return None if name.isprintable() else "A name is one line"


def closing_list(entries: Iterable[LogbookEntry]) -> list[Answered]:
    """Every item in order, with the answer that counts.

    Parameters
    ----------
    entries : iterable of LogbookEntry
        The logbook's, of any kind and in any order: its phases say which test is closed.

    Returns
    -------
    list of Answered
        The newest answer to each item that was not corrected. One from before the last wetting
        began closed an earlier test, and does not count.
    """
    every = list(entries)
    began = [phase.from_ms for phase in phases(every) if phase.phase == WETTING]
    since = began[-1] if began else None
    found: dict[str, Answer] = {}
    for entry in sorted(every, key=lambda each: each.number):
        at = speaks_of_ms(entry)
        if entry.kind != CLOSING or entry.corrected_by or (since is not None and at < since):
            continue
        content = entry.content
        found[str(content["item"])] = Answer(
            entry.number,
            at,
            content["done"] is True,
            str(content["name"]),
            entry.by,
            entry.says,
            entry.photos,
        )
    return [Answered(item, found.get(item.key)) for item in ITEMS]


def answered_document(answered: Answered) -> dict[str, Json]:
    """An item for programs: `answer` is done, not done or open; time in RFC 3339 UTC."""
    item, answer = answered.item, answered.answer
    if answer is None:
        return {"item": item.key, "asks": item.asks, "why": item.why, "answer": "open"}
    return {
        "item": item.key,
        "asks": item.asks,
        "why": item.why,
        "answer": "done" if answer.done else "not done",
        "says": answer.says,
        "name": answer.name,
        "by": answer.by,
        "at": rfc3339(answer.at_ms),
        "number": answer.number,
        "photos": list(answer.photos),
    }
