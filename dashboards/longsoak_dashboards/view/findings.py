"""The findings sheet: a card for each verdict, which opens on what it rests on."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from markupsafe import Markup

from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.judging import Judged
from longsoak_dashboards.moments import time_ms
from longsoak_dashboards.view.sentences import capital, count_words, when

_MOST_LINES = 12  # in the drawing a card leads to
_NONE_DECLARED = (
    "The rig file declares no limit. Write one as [[limits]] before a phase begins, and it is "
    "judged over that phase."
)
_NONE_BEGUN = "No phase that a limit is for has begun. Begin one in the logbook."


@dataclass(frozen=True, slots=True)
class FindingCard:
    """One limit in one phase. `facts` are pairs of a name and what it is."""

    outcome: str
    limit: str
    phase: str
    margin: str
    says: tuple[str, ...]
    facts: tuple[tuple[str, str | Markup], ...]
    traces: str

    @property
    def shape(self) -> int:
        """A shape that tells it where colour can't."""
        return {"held": 1, "broken": 4}.get(self.outcome, 2)


@dataclass(frozen=True, slots=True)
class ResultTable:
    """A table with what is said of it, or sentences by themselves. `right` are columns' places."""

    title: str
    says: tuple[str, ...]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int]


@dataclass(frozen=True, slots=True)
class Results:
    """A section of them."""

    title: str
    tables: tuple[ResultTable, ...]


@dataclass(frozen=True, slots=True)
class FindingsPage:
    """The whole sheet."""

    lead: tuple[str, ...]
    trouble: str = ""
    judged: Markup | None = None
    cards: tuple[FindingCard, ...] = ()
    results: tuple[Results, ...] = ()


def findings_page(rig: Rig, known: Judged | None, *, now_ms: int) -> FindingsPage:
    """Work out the sheet from what is known; None is nothing yet."""
    if known is None:
        return FindingsPage(("The limits are being judged. That may take a minute.",))
    cards = tuple(map(_card, known.documents))
    judged = when(known.at_ms, now_ms=now_ms)
    if known.trouble:
        return FindingsPage(("The limits could not be judged.",), known.trouble, judged)
    lead = _lead(cards) if cards else _NONE_BEGUN if rig.limits else _NONE_DECLARED
    results = tuple(
        Results(str(each["title"]), tuple(map(_table, each["parts"])))
        for each in known.sections
        if isinstance(each["parts"], list)
    )
    return FindingsPage((lead,), "", judged, cards, results)


def _table(document: dict[str, object]) -> ResultTable:
    head, right = _texts(document["head"]), _texts(document["right"])
    rows = document["rows"]
    return ResultTable(
        capital(str(document["title"])),
        _texts(document["says"]),
        head,
        tuple(map(_texts, rows)) if isinstance(rows, list) else (),
        frozenset(place for place, heading in enumerate(head) if heading in right),
    )


def _lead(cards: Sequence[FindingCard]) -> str:
    counts = dict.fromkeys(("broken", "undecided", "held"), 0)
    for card in cards:
        counts[card.outcome] += 1
    told = [f"{count_words(count)} {outcome}" for outcome, count in counts.items() if count]
    return capital(f"{', '.join(told)}.")


def _card(document: dict[str, object]) -> FindingCard:
    found = {name: str(value) for name, value in document.items()}
    remarks, probes = _texts(document["remarks"]), _texts(document["probes"])
    margin = document["margin"]
    unit = found["unit"]
    away = "" if not isinstance(margin, int | float) else f"{abs(margin):.1f} {unit}".strip()
    side = "to spare" if away and not found["margin"].startswith("-") else "too far"
    facts: list[tuple[str, str | Markup]] = [
        ("judged from", _time(found["from"])),
        ("to", _time(found["to"])),
        ("beyond the limit", f"{_hours(document['beyond_h'])} h"),
        ("perhaps beyond", f"{_hours(document['perhaps_h'])} h"),
        ("within", f"{_hours(document['within_h'])} h"),
        ("not known", f"{_hours(document['unknown_h'])} h"),
        ("good data", f"{100 * _number(document['covered']):.0f} % of the windows"),
        ("set aside", f"{_hours(document['set_aside_h'])} h"),
        ("with that in", found["verdict_with_set_aside"]),
        ("declared", _time(found["declared"])),
        ("by version", found["declared_by_version"]),
    ]
    return FindingCard(
        found["verdict"],
        found["limit"],
        found["phase"],
        f"{away} {side}" if away else "",
        (capital(f"{found['asks']}."), found["why"], *remarks),
        tuple(facts),
        _traces(probes, found["from"], found["to"]),
    )


def _traces(probes: Sequence[str], since: str, until: str) -> str:
    asked = [("probe", name) for name in probes[:_MOST_LINES]]
    query = urlencode([*asked, ("by", "together"), ("from", since), ("to", until)])
    return f"/traces?{query}"


def _time(words: str) -> str | Markup:
    at = time_ms(words)
    return words if at is None else when(at, now_ms=at)


def _texts(found: object) -> tuple[str, ...]:
    return tuple(map(str, found)) if isinstance(found, list) else ()


def _number(found: object) -> float:
    return float(found) if isinstance(found, int | float) else 0.0


def _hours(found: object) -> str:
    return f"{_number(found):.4g}"
