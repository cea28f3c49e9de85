"""The balance of the water as the sheet shows it: what came, what went, what is left over."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isnan

from markupsafe import Markup

from longsoak.core.water.split import Balance, Part
from longsoak.core.water.standing import lacks_words
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.ledger import draw_bar
from longsoak_dashboards.view.sentences import date

_DAY_MS = 86_400_000
_TWICE = 2.0  # standard uncertainties, as they are shown behind ±
_MINUS = "\N{MINUS SIGN}"
_LEAST = 0.1  # L that the whole width of the bars stands for, at least


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One row of the balance."""

    words: str
    litres: str
    plus_minus: str
    bar: Markup
    total: bool = False


def balance_rows(
    books: Balance | None, rig: Rig, *, now_ms: int
) -> tuple[tuple[LedgerRow, ...], Markup, str]:
    """The rows, the time they are of, and whether they close, in a sentence."""
    if books is None:
        return (), Markup("last 7 days"), "No balance yet: that takes a day of levels."
    span = Markup("{} to {}").format(date(now_ms - round(books.days * _DAY_MS)), date(now_ms))
    return tuple(_rows(books)), span, _closes(books, rig)


def part_words(part: Part) -> str:
    """Litres with twice their standard uncertainty."""
    return f"{part.litres:.1f} ± {_TWICE * part.u:.1f}"


def _rows(books: Balance) -> Iterator[LedgerRow]:
    out = _out(books)
    amounts = [books.topped_up.litres, *(part.litres for _, part in out), abs(books.more.litres)]
    most = max([_LEAST, *amounts])
    at = books.topped_up.litres
    yield _row("topped up", books.topped_up, "+", draw_bar("in", 0, at, most))
    for words, part in out:
        yield _row(words, part, _MINUS, draw_bar("out", at - part.litres, at, most))
        at -= part.litres
    stays = draw_bar("stay", 0, books.more.litres, most)
    yield _row("more in it now", books.more, "=", stays)
    left = books.unaccounted
    if isnan(left.litres):
        yield LedgerRow("unaccounted for", "not known", "", Markup(), total=True)
    else:
        reach = _TWICE * left.u
        bar = draw_bar("left", left.litres - reach, left.litres + reach, most)
        yield _row("unaccounted for", left, "", bar, total=True)


def _out(books: Balance) -> list[tuple[str, Part]]:
    """What went, with what remains made from the figures as they are shown: they have to add up."""
    if books.remains is None:
        return books.went
    *told, (words, rest) = books.went
    shown = sum(round(part.litres, 1) for _, part in told)
    left = round(books.topped_up.litres, 1) - shown - round(books.more.litres, 1)
    return [*told, (words, Part(left, rest.u))]


def _row(words: str, part: Part, sign: str, bar: Markup, *, total: bool = False) -> LedgerRow:
    litres = f"{sign} {part.litres:.1f}".strip().replace("-", _MINUS)
    return LedgerRow(words, litres, f"± {_TWICE * part.u:.1f}", bar, total)


def _closes(books: Balance, rig: Rig) -> str:
    if books.closes is None:
        return f"Whether it closes can't be told: that takes {lacks_words(rig, books)}."
    if books.closes:
        return "Closes within its uncertainty: nothing is lost that the rig could see."
    return "Does not close: more is gone, or came, than anybody can tell."
