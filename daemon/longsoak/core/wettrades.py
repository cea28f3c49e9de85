"""Wet trades: concrete or mortar poured into the specimen, which wets its pins from inside. Pure.

The mix water moves into what lies around, and the alkali of lime and cement conducts as water does,
so that pins read wet though no water came through. It takes weeks to settle, and what is read
meanwhile is told from a wetting by nothing but an unwetted control that was filled alike.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import THE_RIG, WET_TRADE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json

SETTLING_DAYS = 28.0  # the age at which mortar and concrete are commonly judged (common practice)
LONGEST_MIX = 200  # characters
CAUTION = (
    "Wet lime and cement burn skin and eyes, and the burn is felt late: gloves, eye protection and "
    "water to rinse with, as local rules ask (common practice)."
)
_MOST_LITRES = 10_000.0
_MOST_DAYS = 730.0
_COLDEST, _WARMEST = -20.0, 80.0  # degC
_KEYS = frozenset({"litres", "mix", "curing_temperature", "settling_days"})
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class WetTrade:
    """One that counts. Times are UTC ms; it settles from `at_ms` until before `until_ms`.

    `bay` is None where it went into the whole specimen. `curing_temperature` is in degC, None where
    nobody told it.
    """

    number: int
    at_ms: int
    until_ms: int
    bay: str | None
    litres: float
    mix: str
    curing_temperature: float | None
    by: str
    says: str


def trade_content(
    *,
    litres: float,
    mix: str,
    curing_temperature: float | None = None,
    settling_days: float = SETTLING_DAYS,
) -> dict[str, Json]:
    """What an entry of the kind "wet trade" holds; it is about a bay, or the rig.

    Parameters
    ----------
    litres : float
        Of the fresh mix, L.
    mix : str
        What it is made of, in words.
    curing_temperature : float, optional
        degC.
    settling_days : float
        For how long nothing that is read there decides that a limit was held, days.
    """
    return {
        "litres": litres,
        "mix": mix,
        "curing_temperature": curing_temperature,
        "settling_days": settling_days,
    }


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "wet trade"; None if nothing is."""
    content = entry.content
    if content.keys() != _KEYS:
        return "A wet trade has litres, a mix, a curing temperature or none, and days to settle"
    if entry.subject.about is About.PROBE:
        return "A wet trade is about a bay or the rig, and no probe"
    mix = content["mix"]
    if not isinstance(mix, str) or not mix or len(mix) > LONGEST_MIX or not mix.isprintable():
        return f"The mix of a wet trade is one line of up to {LONGEST_MIX} characters"
    if not _number(content["litres"], above=0.0, most=_MOST_LITRES):
        return f"The litres of a wet trade are a number above 0 and up to {_MOST_LITRES:g}"
    if not _number(content["settling_days"], above=0.0, most=_MOST_DAYS):
        return f"A wet trade settles for a number of days above 0 and up to {_MOST_DAYS:g}"
    warm = content["curing_temperature"]
    if warm is not None and not _number(warm, above=_COLDEST, most=_WARMEST):
        return f"A curing temperature is a number of degC from {_COLDEST:g} to {_WARMEST:g}"
    return None


def _number(value: Json, *, above: float, most: float) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool) or not isfinite(value):
        return False
    return above < value <= most


def wet_trades(entries: Iterable[LogbookEntry]) -> list[WetTrade]:
    """Those that count, oldest first; `entries` may be of any kind."""
    found = []
    for entry in entries:
        if entry.kind != WET_TRADE or entry.corrected_by:
            continue
        content, at = entry.content, speaks_of_ms(entry)
        warm = content["curing_temperature"]
        found.append(
            WetTrade(
                entry.number,
                at,
                at + round(float(str(content["settling_days"])) * _DAY_MS),
                entry.subject.name if entry.subject.about is About.BAY else None,
                float(str(content["litres"])),
                str(content["mix"]),
                None if warm is None else float(str(warm)),
                entry.by,
                entry.says,
            )
        )
    return sorted(found, key=lambda trade: (trade.at_ms, trade.number))


def trades_in(trades: Sequence[WetTrade], bay: str | None) -> list[WetTrade]:
    """Those that wet a bay; None is the whole specimen, which each of them does."""
    return [trade for trade in trades if bay is None or trade.bay in (None, bay)]


def trade_words(trade: WetTrade) -> str:
    """What was poured, in words: "40 L of lime 1 to sand 3 into plain lime, cured at 18 °C"."""
    into = "the specimen" if trade.bay is None else trade.bay
    warm = trade.curing_temperature
    cured = "" if warm is None else f", cured at {warm:g} °C"
    return f"{trade.litres:g} L of {trade.mix} into {into}{cured}"


def settling_flags(trades: Sequence[WetTrade]) -> list[HandFlag]:
    """What wet trades make of the readings while they settle: set aside, and not evaluated."""
    return [
        HandFlag(
            trade.number,
            THE_RIG if trade.bay is None else Subject(About.BAY, trade.bay),
            trade.at_ms,
            trade.until_ms,
            Flag.NOT_EVALUATED,
            trade.by,
            trade.says,
            trade.at_ms,
            Reason.SET_ASIDE,
        )
        for trade in trades
    ]


def trade_document(trade: WetTrade) -> dict[str, Json]:
    """A wet trade for programs: times in RFC 3339 UTC, litres, degC."""
    return {
        "number": trade.number,
        "bay": trade.bay,
        "litres": trade.litres,
        "mix": trade.mix,
        "curing_temperature": trade.curing_temperature,
        "from": rfc3339(trade.at_ms),
        "settles_until": rfc3339(trade.until_ms),
        "by": trade.by,
        "says": trade.says,
    }
