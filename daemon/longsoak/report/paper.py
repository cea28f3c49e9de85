"""What a report is made of, whatever it is written as: headings, sentences, tables and drawings."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Listing:
    """A table with what is to be said of it; `right` are the headings of columns of numbers."""

    title: str
    says: tuple[str, ...]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `strong` is one that must not be passed over."""

    says: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Points:
    """Sentences, each with a point before it."""

    says: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing with its caption; `alt` says what it shows to who can't see it."""

    figure: "Figure"
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo, as a JPEG file."""

    jpeg: bytes
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class Card:
    """A verdict: its word, what it is of, and what it rests on."""

    word: str
    title: str
    says: tuple[str, ...]


Part: TypeAlias = Text | Points | Listing | Plot | Picture | Card


@dataclass(frozen=True, slots=True)
class Section:
    """A numbered section."""

    title: str
    parts: Sequence[Part]


@dataclass(frozen=True, slots=True)
class Paper:
    """A whole report. `facts` are the lines under its title, each a name and what it is."""

    title: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...] = field(default=())
