"""The fields of an installation card as a person is asked for them, and what they answer."""

from longsoak.core.typednumber import number_typed
from longsoak.vocabulary.proof import Json

WORDS = {
    "pilot": "pilot hole, diameter in mm",
    "drilled": "drilled depth in mm, measured twice, as 30.0 30.5",
    "bare_tip": "bare tip, length in mm",
    "spacing": "pin spacing in mm",
    "grain": "grain between the pins (along, across, end, none)",
    "coating": "coating",
    "sealant": "sealant",
    "entry": "drilled from (wet, dry, side)",
    "drip_loop": "drip loop (yes, no)",
    "edge": "distance to the next edge or joint in mm",
    "photo": "photo taken before closing, file",
    "note": "note",
}
_NUMBERS = ("pilot", "bare_tip", "spacing", "edge")


def typed(name: str, words: str) -> object:
    """What was typed, as the card takes it; what it can't be is told by the card."""
    try:
        if name in _NUMBERS:
            return number_typed(words)
        if name == "drilled":
            return [number_typed(part) for part in words.split()]
    except ValueError:
        return words
    if name == "drip_loop":
        return {"yes": True, "y": True, "no": False, "n": False}.get(words.lower(), words)
    return words


def written(value: Json) -> str:
    """A card's field as it is typed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return " ".join(f"{part:g}" for part in value if isinstance(part, int | float))
    return f"{value:g}" if isinstance(value, int | float) else str(value)
