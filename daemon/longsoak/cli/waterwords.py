"""How the water stands, in lines for people; `longsoak.store.waterdocument` has it as JSON."""

from collections.abc import Iterator, Mapping
from math import inf, isnan

from longsoak.core.water.forecast import Days
from longsoak.core.water.reconcile import TopUp
from longsoak.core.water.split import Balance, Part
from longsoak.core.water.standing import Standing, lacks_words, weighs
from longsoak.core.wording import ago_words, time_words
from longsoak.store.waterlook import WaterLook
from longsoak.vocabulary.rig import Rig, Weighs
from longsoak.vocabulary.water import Recovery, Wetting

_TWICE = 2.0  # of a standard uncertainty, as it is shown behind ±
_MINUS = "\N{MINUS SIGN}"
_LATEST = 5  # top-ups, contacts and catches that are shown


def lines(seen: WaterLook, rig: Rig, *, now_ms: int) -> Iterator[str]:
    """The lines that the command prints."""
    reading = seen.reading
    if reading is None or seen.standing is None:
        yield "The level is not known: look at the water with your own eyes."
    else:
        age = ago_words((now_ms - reading.utc_ms) / 1000)
        yield from _standing(seen.standing, rig, age)
    yield ""
    yield from (worry.says for worry in seen.worries)
    yield from _balance(seen.balance, rig)
    yield from _top_ups(seen.top_ups)
    yield from _contacts(seen)
    for bay, counted in seen.wetted.items():
        yield f"{bay}: {wetted_words(counted)}."
    for catch in seen.catches[-_LATEST:]:
        yield f"cup catch {time_words(catch.at_ms)}, {catch.bay}: {catch.rate:.2f} L/(m²h)"
    yield from seen.remarks
    yield "No conductivity was measured yet." if seen.salts is None else seen.salts.says


def wetted_words(counted: Mapping[Wetting, float]) -> str:
    """How long a bay was wetted, in days: known, known not to, unknown."""
    return (
        f"wetted {counted[Wetting.RUNNING] / 86_400:.1f} d, not wetted "
        f"{counted[Wetting.STOPPED] / 86_400:.1f} d, unknown "
        f"{counted[Wetting.UNKNOWN] / 86_400:.1f} d"
    )


def days_words(days: Days | None) -> str:
    """Days with their range: "12.5 d, 10.1 to 16.4"."""
    if days is None:
        return "not known"
    if days.days == inf:
        return "never, at this rate"
    high = "no end" if days.high == inf else f"{days.high:.1f}"
    return f"{days.days:.1f} d, {days.low:.1f} to {high}"


def part_words(part: Part) -> str:
    """Litres with twice their standard uncertainty."""
    return "not known" if isnan(part.litres) else f"{part.litres:.2f} ± {_TWICE * part.u:.2f}"


def _standing(stands: Standing, rig: Rig, age: str) -> Iterator[str]:
    doubt = f" ± {_TWICE * stands.level_u:.1f} mm"
    litres = "outside the depth table" if stands.litres is None else f"{stands.litres:.1f} L"
    yield f"level {stands.level:.1f}{doubt}, {litres}, read {age}"
    to_stop = "" if stands.to_stop is None else f"; {stands.to_stop:.1f} L to the stop"
    yield f"clearance {stands.clearance:.1f}{doubt}{to_stop}"
    if stands.lost is None or stands.split is None:
        yield "What is lost a day is not known yet: that takes a day of levels."
        return
    lost = stands.lost
    yield f"lost {lost.per_day:.2f} L/d, 95 %: {lost.low:.2f} to {lost.high:.2f}"
    by = "" if weighs(rig) is Weighs.SPECIMEN else ", by difference,"
    for name, part in (
        ("evaporates", stands.split.evaporated),
        (f"taken up by the specimen{by}", stands.split.taken_up),
        ("neither", stands.split.rest),
    ):
        if not isnan(part.litres):
            yield f"  {name} {part_words(part)} L/d"
    yield f"until the pump runs dry {days_words(stands.pump_dry)}"
    yield f"until it is dry {days_words(stands.dry)}"


def _balance(books: Balance | None, rig: Rig) -> Iterator[str]:
    """The rows, which add up."""
    if books is None:
        yield "No balance yet: that takes a day of levels."
        return
    yield f"balance of {books.days:.1f} days, L:"
    yield f"  + topped up {part_words(books.topped_up)}"
    for name, part in books.went:
        yield f"  {_MINUS} {name} {part_words(part)}"
    yield f"  = more in the reservoir {part_words(books.more)}"
    yield f"  {closes_words(books, rig)}"


def closes_words(books: Balance, rig: Rig) -> str:
    """Whether the books close, in a sentence."""
    if books.closes is None:
        return f"whether it closes can't be told: that takes {lacks_words(rig, books)}"
    verdict = "it closes" if books.closes else "it does not close"
    return f"{verdict}: unaccounted {part_words(books.unaccounted)} L"


def _top_ups(top_ups: list[TopUp]) -> Iterator[str]:
    yield "top-ups:" if top_ups else "No top-up in the last 30 days."
    for each in top_ups[-_LATEST:]:
        by_can = each.by_can
        beside = "" if by_can is None or not each.level else f", {by_can:.2f} L by hand"
        part = part_words(Part(each.litres, each.u))
        yield f"  {time_words(each.at_ms)}  {part} L{beside}, {each.agreement}"


def _contacts(seen: WaterLook) -> Iterator[str]:
    for window in seen.windows[-_LATEST:]:
        until = "now" if window.until_ms is None else time_words(window.until_ms)
        yield f"contact {window.number}, {time_words(window.from_ms)} to {until}: {window.says}"
    for aside in seen.asides:
        if aside.recovery is not Recovery.RECOVERED:
            yield f"  {aside.probe}: {aside.recovery}. {aside.says}"
    if any(aside.recovery is Recovery.STAYS_OFF for aside in seen.asides):
        yield "  `longsoak phase` ends a phase and begins the next."
