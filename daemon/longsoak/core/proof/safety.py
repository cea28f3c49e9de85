"""What is looked at before water and electricity meet, and how a person answers. Pure.

A list to be reminded by, not a rule to work by: local codes and licensed practice decide.
"""

from dataclasses import dataclass

from longsoak.core.proof.finding import Finding, judged
from longsoak.vocabulary.errors import PhysicsError

DECIDES = (
    "This list reminds, it does not certify: local codes and licensed practice decide what is "
    "safe, and work on mains is for a licensed electrician."
)
SHORTEST_NAME = 3  # characters of a full name; initials are no signature


@dataclass(frozen=True, slots=True)
class SafetyItem:
    """One item: a key for ever, what to look at, and why."""

    key: str
    title: str
    why: str


# Common practice for wet work indoors; nothing here is quoted from a code.
SAFETY = (
    SafetyItem(
        "residual current",
        "Residual-current protection is there and its test button trips it",
        "Mains beside a tray of water kills through a fault nobody sees.",
    ),
    SafetyItem(
        "extra-low voltage",
        "Pump, supplies and electronics run on extra-low voltage, their mains side away from water",
        "A pump stands in water, and its cable is the first thing to chafe.",
    ),
    SafetyItem(
        "drip loops",
        "Every cable has a drip loop below its socket, supply or instrument",
        "Water runs along a cable into whatever hangs at its end.",
    ),
    SafetyItem(
        "overflow",
        "Water that overflows has a way to go where it harms nobody",
        "A tray that runs over at night finds sockets, stairs and the room below.",
    ),
    SafetyItem(
        "lifting",
        "Lifting gear, floor and supports are rated for the specimen's wet mass",
        "A soaked specimen can weigh far more than the one that was carried in.",
    ),
    SafetyItem(
        "floor",
        "The floor around the tray grips when it is wet",
        "People fall where water is carried.",
    ),
    SafetyItem(
        "alkali",
        "Gloves, eye protection and an eyewash are at hand where lime or cement gets wet",
        "Wet lime and cement burn skin and eyes, and the burn is felt late.",
    ),
    SafetyItem(
        "mould",
        "Air and dust of the wet specimen are kept from people, and masks are at hand",
        "A wet specimen may grow mould within weeks, and disturbing it sends spores out.",
    ),
    SafetyItem(
        "aerosol",
        "Warm water is not sprayed or splashed where people breathe",
        "Bacteria in lukewarm standing water do harm as a fine mist.",
    ),
    SafetyItem(
        "cut-off",
        "A hard-wired high-level switch stops the filling without any program",
        "A program that hangs does not stop a pump.",
    ),
)


def answered(item: SafetyItem, *, so: bool, name: str) -> Finding:
    """An item as a person answered it with their full name.

    Raises
    ------
    PhysicsError
        The name is too short to be a full one.
    """
    if len(name) < SHORTEST_NAME:
        raise PhysicsError("full name", repr(name), f"{SHORTEST_NAME} letters or more")
    says = f"{'Seen to be so' if so else 'Not so'}, {name}."
    return judged(so, says, {"name": name, "title": item.title})
