"""The installation card of a probe: how it was put in, and how well its depth is known. Pure."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from math import hypot, sqrt

from longsoak.core.arrays import checked, shown
from longsoak.core.proof.finding import Finding
from longsoak.core.proof.reads import COVERAGE
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry
from longsoak.vocabulary.rig import Probe, Rig

DEPTH_FLOOR = 0.5  # mm, standard uncertainty of a depth gauge in a drilled hole; common practice
LONGEST_WORDS = 200  # characters of a coating, a sealant or a note
_HASH = 64  # characters of a SHA-256 in hexadecimal


class Grain(StrEnum):
    """How the current runs between the pins, by the grain of the wood."""

    ALONG = "along"
    ACROSS = "across"
    END = "end"
    NONE = "none"


class Entry(StrEnum):
    """The face the hole was drilled from."""

    WET = "wet"
    DRY = "dry"
    SIDE = "side"


@dataclass(frozen=True, slots=True)
class Card:
    """What is known of one probe's seat; None is not known. Lengths are in mm.

    `drilled` is the depth of the hole from its entry face, measured twice. `bare_tip` is the
    length that is not insulated, `spacing` that between the two pins, `edge` the distance to the
    next edge or joint. `photo` is a file's name and `photo_sha256` its digest, taken before the
    hole was closed.
    """

    pilot: float | None = None
    drilled: tuple[float, float] | None = None
    bare_tip: float | None = None
    spacing: float | None = None
    grain: Grain | None = None
    coating: str | None = None
    sealant: str | None = None
    entry: Entry | None = None
    drip_loop: bool | None = None
    edge: float | None = None
    photo: str | None = None
    photo_sha256: str | None = None
    note: str | None = None


FIELDS = tuple(field.name for field in fields(Card))
# mm; a length beyond is a slip of the pen or of the unit.
_LENGTHS = {
    "pilot": (0.5, 50.0),
    "bare_tip": (0.0, 200.0),
    "spacing": (1.0, 500.0),
    "edge": (0.0, 10_000.0),
}
_DEPTHS = (0.0, 2000.0)


@dataclass(frozen=True, slots=True)
class Depth:
    """How deep a probe sits from the wet face, with its standard uncertainty, mm."""

    mm: float
    uncertainty: float


def card_of(said: Mapping[str, object]) -> Card:
    """A card from what a person wrote, or from an entry's content.

    Parameters
    ----------
    said : mapping of str to object
        By the names of `FIELDS`; what is missing or None is not known.

    Raises
    ------
    PhysicsError
        A field has no such name, is not of its kind, or a length is outside what such a thing has.
    """
    for name in said:
        if name not in FIELDS:
            raise PhysicsError("field", repr(name), f"one of {', '.join(FIELDS)}")
    known = {name: value for name, value in said.items() if value is not None}
    grain, entry = known.get("grain"), known.get("entry")

    def length(name: str) -> float | None:
        low, high = _LENGTHS[name]
        return _number(name, known[name], low, high) if name in known else None

    def words(name: str) -> str | None:
        return _words(name, known[name]) if name in known else None

    return Card(
        pilot=length("pilot"),
        bare_tip=length("bare_tip"),
        spacing=length("spacing"),
        edge=length("edge"),
        coating=words("coating"),
        sealant=words("sealant"),
        photo=words("photo"),
        note=words("note"),
        drilled=_twice(known.get("drilled")),
        grain=None if grain is None else Grain(_one_of("grain", grain, tuple(Grain))),
        entry=None if entry is None else Entry(_one_of("entry", entry, tuple(Entry))),
        drip_loop=_yes_or_no(known.get("drip_loop")),
        photo_sha256=_digest(known.get("photo_sha256")),
    )


def kept_fields(entry: ProofEntry | None) -> dict[str, Json]:
    """The fields of a card that was kept, as `card_of` takes them; none where there is no card."""
    return {} if entry is None else {n: v for n, v in entry.content.items() if n in FIELDS}


def completed(card: Card, entry: ProofEntry | None) -> Card:
    """A card with what it leaves out as it was on the one kept before.

    A card that adds a coating must not take away the depth that a front is fitted by.
    """
    given = {name: value for name, value in asdict(card).items() if value is not None}
    kept = kept_fields(entry)
    if "photo" in given:
        kept.pop("photo_sha256", None)  # it was another photo's
    return card_of(kept | given)


def depth_of(card: Card, probe: Probe, rig: Rig) -> Depth | None:
    """How deep the probe sits from the wet face; None where the card does not tell.

    Parameters
    ----------
    card : Card
        Its installation card.
    probe : Probe
        The probe, for the bay whose thickness a hole from the dry face is taken from.
    rig : Rig
        The rig it belongs to.

    Notes
    -----
    The mean of both measurements. Its standard uncertainty is half their difference, which is the
    standard deviation of the mean of two (JCGM 100, 4.2.3), but no less than 0.5 mm: two readings
    may agree by chance, and one degree of freedom says little. Pins read anywhere along their bare
    tip, so that half its length over the root of three comes on top (JCGM 100, 4.3.7). Both from
    memory; the floor is common practice.
    """
    if card.drilled is None or card.entry not in (Entry.WET, Entry.DRY):
        return None
    first, second = card.drilled
    mean = (first + second) / 2
    if card.entry is Entry.DRY:
        bay = next((bay for bay in rig.specimen.bays if bay.name == probe.bay), None)
        if bay is None:
            return None
        mean = bay.thickness - mean
    scatter = max(DEPTH_FLOOR, abs(first - second) / 2)
    return Depth(mean, hypot(scatter, (card.bare_tip or 0.0) / 2 / sqrt(3)))


def note_card(card: Card, probe: Probe, rig: Rig) -> Finding:
    """Take a card down; a depth that is not the rig file's is told.

    Returns
    -------
    Finding
        Noted, for there is nothing measured to judge. Bad where the depth lies farther than twice
        its standard uncertainty from the one in the rig file: every front fit would rest on it.
        Content: the fields as they were written, `depth` and `depth_uncertainty` (mm).
    """
    content: dict[str, Json] = {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in asdict(card).items()
        if value is not None
    }
    known = len(content)
    depth = depth_of(card, probe, rig)
    if depth is None:
        says = f"{known} of {len(FIELDS)} fields are written down; the depth is not known from it."
        return Finding(Outcome.NOTED, says, content)
    content |= {"depth": depth.mm, "depth_uncertainty": depth.uncertainty}
    doubled = COVERAGE * depth.uncertainty
    says = f"{depth.mm:.1f} ± {doubled:.1f} mm from the wet face."
    if probe.depth is None:
        return Finding(Outcome.NOTED, says, content)
    off = depth.mm - probe.depth
    content |= {"declared": probe.depth}
    if abs(off) > doubled:
        says = (
            f"{says} The rig file says {probe.depth:g} mm, {abs(off):.1f} mm "
            f"{'less' if off > 0 else 'more'}: measure again, or write the depth it has."
        )
        return Finding(Outcome.BAD, says, content)
    return Finding(Outcome.NOTED, f"{says} The rig file says {probe.depth:g} mm.", content)


def _number(name: str, value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PhysicsError(name, shown(value), f"{low:g} to {high:g} mm")
    return float(checked(name, float(value), lowest=low, highest=high, unit="mm"))


def _twice(value: object) -> tuple[float, float] | None:
    if value is None:
        return None
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise PhysicsError("drilled", shown(value), "the depth in mm, measured twice: two numbers")
    first, second = (_number("drilled", depth, *_DEPTHS) for depth in value)
    return first, second


def _one_of(name: str, value: object, known: tuple[str, ...]) -> str:
    if value not in known:
        raise PhysicsError(name, shown(value), f"one of {', '.join(known)}")
    return str(value)


def _words(name: str, value: object) -> str | None:
    if not isinstance(value, str) or not value.isprintable() or len(value) > LONGEST_WORDS:
        raise PhysicsError(name, shown(value), f"up to {LONGEST_WORDS} printable characters")
    return value.strip() or None


def _yes_or_no(value: object) -> bool | None:
    if value is None or isinstance(value, bool):
        return value
    raise PhysicsError("drip_loop", shown(value), "true or false")


def _digest(value: object) -> str | None:
    if value is None:
        return None
    fits = (
        isinstance(value, str) and len(value) == _HASH and not set(value) - set("0123456789abcdef")
    )
    if not fits:
        raise PhysicsError("photo_sha256", shown(value), f"{_HASH} digits of 0 to 9 and a to f")
    return str(value)
