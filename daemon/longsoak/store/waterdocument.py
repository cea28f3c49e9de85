"""The water as plain documents: times RFC 3339 UTC, uncertainties standard, spans of time in s."""

from math import inf, isnan

from longsoak.core.water.cups import Catch
from longsoak.core.water.forecast import Days
from longsoak.core.water.reconcile import TopUp
from longsoak.core.water.split import Balance, Part
from longsoak.core.water.standing import Standing
from longsoak.core.wording import rfc3339
from longsoak.store.waterlook import WaterLook
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.water import Aside, ContactWindow


def document(seen: WaterLook) -> dict[str, Json]:
    """All that is known of the water."""
    return {
        **standing_document(seen),
        "top_ups": [top_up_document(each) for each in seen.top_ups],
        "contacts": [contact_document(each) for each in seen.windows],
        "set_aside": [aside_document(each) for each in seen.asides],
        "cup_catches": [catch_document(each) for each in seen.catches],
    }


def standing_document(seen: WaterLook) -> dict[str, Json]:
    """How it stands, whether its books close, and what was found and is not over."""
    stands, reading = seen.standing, seen.reading
    return {
        "level": None if stands is None or reading is None else _level(stands, reading.utc_ms),
        "balance": None if seen.balance is None else _balance(seen.balance),
        "found": [
            {"found": each.found.value, "since": rfc3339(each.from_ms), "says": each.says}
            for each in seen.worries
        ],
        "wetted_s": {
            bay: {state.value: seconds for state, seconds in counted.items()}
            for bay, counted in seen.wetted.items()
        },
        "remarks": list(seen.remarks),
        "conductivity_factor": None if seen.salts is None else seen.salts.factor,
    }


def top_up_document(each: TopUp) -> dict[str, Json]:
    """A top-up as the level shows it beside what was written down."""
    return {
        "at": rfc3339(each.at_ms),
        "known": each.agreement.value,
        "litres": each.litres,
        "uncertainty": each.u,
        "litres_by_hand": each.by_can,
        "entries": [hand.number for hand in each.hand],
    }


def contact_document(each: ContactWindow) -> dict[str, Json]:
    """A time in which water touched the specimen."""
    return {
        "number": each.number,
        "from": rfc3339(each.from_ms),
        "until": None if each.until_ms is None else rfc3339(each.until_ms),
        "highest_mm": each.highest,
        "says": each.says,
    }


def aside_document(each: Aside) -> dict[str, Json]:
    """Readings of a probe that a contact set aside."""
    return {
        "probe": each.probe,
        "contact": each.window,
        "from": rfc3339(each.from_ms),
        "until": None if each.until_ms is None else rfc3339(each.until_ms),
        "recovery": each.recovery.value,
        "says": each.says,
    }


def catch_document(each: Catch) -> dict[str, Json]:
    """What a cup caught."""
    return {"at": rfc3339(each.at_ms), "bay": each.bay, "litres_per_m2_h": each.rate}


def _balance(books: Balance) -> dict[str, Json]:
    return {
        "days": books.days,
        "closes": books.closes,
        "topped_up": _part(books.topped_up),
        "drawn_off": _part(books.drawn_off),
        "evaporated": _part(books.evaporated),
        "taken_up": _part(books.taken_up),
        "more_in_the_reservoir": _part(books.more),
        "lost_in_all": _part(books.lost),
        "unaccounted": _part(books.unaccounted),
    }


def _level(stands: Standing, utc_ms: int) -> dict[str, Json]:
    lost, parts = stands.lost, stands.split
    return {
        "at": rfc3339(utc_ms),
        "mm": stands.level,
        "uncertainty_mm": stands.level_u,
        "clearance_mm": stands.clearance,
        "litres": stands.litres,
        "litres_to_stop": stands.to_stop,
        "free_surface_m2": stands.surface,
        "lost_per_day": None
        if lost is None
        else {"litres": lost.per_day, "low": lost.low, "high": lost.high, "hours": lost.hours},
        "evaporated_per_day": None if parts is None else _part(parts.evaporated),
        "taken_up_per_day": None if parts is None else _part(parts.taken_up),
        "neither_per_day": None if parts is None else _part(parts.rest),
        "pump_dry_days": days_document(stands.pump_dry),
        "dry_days": days_document(stands.dry),
    }


def _part(part: Part) -> dict[str, Json] | None:
    if isnan(part.litres):
        return None
    return {"litres": part.litres, "uncertainty": part.u}


def days_document(days: Days | None) -> dict[str, Json] | None:
    """Days with their range; None is never, or not known."""
    if days is None or days.days == inf:
        return None
    return {"days": days.days, "low": days.low, "high": None if days.high == inf else days.high}
