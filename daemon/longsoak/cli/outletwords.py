"""How outlets are, in words and for JSON."""

from collections.abc import Iterator, Sequence

from longsoak.core.wording import ago_words, with_noun
from longsoak.forward.health import CURSOR_LAG, OutletHealth

_NAMES = {
    "mail": "Mail",
    "mqtt": "Alarms by MQTT",
    "readings": "Readings by MQTT",
    "database": "Database",
}


def outlet_lines(outlets: Sequence[OutletHealth], *, utc_ms: int) -> Iterator[str]:
    """A line for each outlet: whether it is well, and what waits."""
    for outlet in outlets:
        state = "well" if outlet.away is None else f"away ({outlet.away})"
        yield f"{_NAMES[outlet.outlet]}: {state}; {_waits(outlet, utc_ms)}."


def outlets_as_json(outlets: Sequence[OutletHealth], *, utc_ms: int) -> list[dict[str, object]]:
    """The same for programs."""
    return [
        {
            "outlet": outlet.outlet,
            "well": outlet.away is None,
            "says": outlet.away,
            "unsent": outlet.unsent,
            "unsent_of": "scans" if outlet.forwards else "changes of alarms",
            "oldest_unsent_age_s": _age(outlet, utc_ms),
            "held_back": outlet.held_back,
        }
        for outlet in outlets
    ]


def _waits(outlet: OutletHealth, utc_ms: int) -> str:
    age = _age(outlet, utc_ms)
    if age is None:
        return "nothing waits"
    if outlet.held_back:
        scans = with_noun(outlet.unsent, "scan")
        return f"{scans} not known to be there, and held back until the computer's clock is known"
    if not outlet.forwards:
        return f"{with_noun(outlet.unsent, 'change')} of alarms unsent, the oldest {ago_words(age)}"
    if age <= CURSOR_LAG:
        return "up to date, as far as is known of the last two minutes"
    return f"{with_noun(outlet.unsent, 'scan')} unsent, the oldest taken {ago_words(age)}"


def _age(outlet: OutletHealth, utc_ms: int) -> float | None:
    oldest_ms = outlet.oldest_utc_ms
    return None if oldest_ms is None else max(0, utc_ms - oldest_ms) / 1000
