"""How outlets are, in words and for JSON."""

from collections.abc import Iterator, Sequence

from longsoak.core.wording import age_words, ago_words, rfc3339, with_noun
from longsoak.forward.health import CURSOR_LAG, OutletHealth
from longsoak.store.noticerecord import Trial

_NAMES = {
    "mqtt": "Alarms by MQTT",
    "readings": "Readings by MQTT",
    "database": "Database",
}


def outlet_lines(outlets: Sequence[OutletHealth], *, utc_ms: int) -> Iterator[str]:
    """A line for each outlet: whether it is well, and what waits."""
    for outlet in outlets:
        name = _NAMES.get(outlet.outlet, f"{outlet.outlet[0].upper()}{outlet.outlet[1:]}")
        quiet = "; quiet hours hold some back" if outlet.quiet else ""
        waits = f"{_waits(outlet, utc_ms)}{quiet}"
        yield f"{name}: {_state(outlet, utc_ms)}; {waits}{_taken(outlet, utc_ms)}."


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
            "away_since": _at(outlet.away_utc_ms),
            "last_taken": _at(outlet.taken_utc_ms),
            "quiet": outlet.quiet,
        }
        for outlet in outlets
    ]


def trial_as_json(trial: Trial | None) -> dict[str, object] | None:
    """The weekly trial of the notices for programs; None if none went out."""
    if trial is None:
        return None
    return {
        "sent": rfc3339(trial.sent_ms),
        "unanswered_since": _at(trial.waiting_ms),
        "taken": {route: rfc3339(at) for route, at in trial.taken.items()},
        "answered": None if trial.answered is None else trial.answered[0],
        "answered_at": None if trial.answered is None else rfc3339(trial.answered[1]),
    }


def _state(outlet: OutletHealth, utc_ms: int) -> str:
    if outlet.away is None or outlet.away_utc_ms is None:
        return "well"
    return f"away for {age_words((utc_ms - outlet.away_utc_ms) / 1000)} ({outlet.away})"


def _taken(outlet: OutletHealth, utc_ms: int) -> str:
    if outlet.taken_utc_ms is None:
        return ""
    return f"; took the last notice {ago_words((utc_ms - outlet.taken_utc_ms) / 1000)}"


def _at(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else rfc3339(utc_ms)


def _waits(outlet: OutletHealth, utc_ms: int) -> str:
    age = _age(outlet, utc_ms)
    if age is None:
        return "nothing waits"
    if outlet.held_back:
        scans = with_noun(outlet.unsent, "scan")
        return f"{scans} not known to be there, and held back until the computer's clock is known"
    if not outlet.forwards:
        return f"{with_noun(outlet.unsent, 'change')} of alarms unsent, the oldest {ago_words(age)}"
    if age <= CURSOR_LAG and outlet.away is not None:
        return "nothing older than two minutes waits yet"
    if age <= CURSOR_LAG:
        return "up to date, as far as is known of the last two minutes"
    return f"{with_noun(outlet.unsent, 'scan')} unsent, the oldest taken {ago_words(age)}"


def _age(outlet: OutletHealth, utc_ms: int) -> float | None:
    oldest_ms = outlet.oldest_utc_ms
    return None if oldest_ms is None else max(0, utc_ms - oldest_ms) / 1000
