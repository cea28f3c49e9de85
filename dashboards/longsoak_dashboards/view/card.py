"""An installation card as a form: what is kept of it, or what was said and could not be."""

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import quote

from longsoak.core.proof.book import Book
from longsoak.core.proof.card import FIELDS, Entry, Grain, kept_fields
from longsoak.proving.cardwords import WORDS, written
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Probe

_CHOICES = {
    "grain": tuple(grain.value for grain in Grain),
    "entry": tuple(entry.value for entry in Entry),
    "drip_loop": ("yes", "no"),
}
_NUMBERS = ("pilot", "bare_tip", "spacing", "edge")
_NOT_TYPED = ("photo", "photo_sha256")


@dataclass(frozen=True, slots=True)
class CardField:
    """One field: `values` are two for what is measured twice, `choices` what it may be."""

    name: str
    words: str
    values: tuple[str, ...]
    choices: tuple[str, ...]
    number: bool


@dataclass(frozen=True, slots=True)
class CardPage:
    """What the form shows."""

    probe: Probe
    quoted: str
    fields: tuple[CardField, ...]
    photo: str
    wrong: str


def card_page(book: Book, probe: Probe, *, said: Mapping[str, str] | None, wrong: str) -> CardPage:
    """Work out the form; `said` is what a person wrote, None takes what is kept."""
    kept = kept_fields(book.card(probe.name))
    shown = _written(kept) if said is None else said
    return CardPage(
        probe=probe,
        quoted=quote(probe.name, safe=""),
        fields=tuple(_field(name, shown) for name in FIELDS if name not in _NOT_TYPED),
        photo=str(kept.get("photo", "")),
        wrong=wrong,
    )


def _written(kept: Mapping[str, Json]) -> dict[str, str]:
    """A card's fields as they are typed."""
    shown: dict[str, str] = {}
    for name, value in kept.items():
        if name == "drilled":
            first, again = written(value).split()
            shown |= {"drilled first": first, "drilled again": again}
        else:
            shown[name] = written(value)
    return shown


def _field(name: str, shown: Mapping[str, str]) -> CardField:
    own = (name,) if name != "drilled" else ("drilled first", "drilled again")
    words = WORDS[name].partition(" (")[0].partition(", as ")[0]
    values = tuple(shown.get(each, "") for each in own)
    return CardField(name, words, values, _CHOICES.get(name, ()), name in _NUMBERS)
