"""The water's sheet while nobody pours: how it stands, where it goes and what became of it."""

from dataclasses import dataclass
from math import inf, isnan

from markupsafe import Markup

from longsoak.core.water.forecast import Days
from longsoak.core.water.reconcile import Agreement, TopUp
from longsoak.core.water.split import Part
from longsoak.core.water.standing import weighs
from longsoak.core.water.vessel import volume
from longsoak.core.wording import with_noun
from longsoak.store.waterlook import WaterLook
from longsoak.vocabulary.rig import Reservoir, Rig, Weighs
from longsoak.vocabulary.water import Recovery, Wetting
from longsoak_dashboards.drawing.decline import Decline, draw_decline
from longsoak_dashboards.drawing.tray import draw_tray
from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import date, span_words, when
from longsoak_dashboards.view.waterbooks import (
    LedgerRow,
    balance_rows,
    part_words,
)

_DAY_MS = 86_400_000
_LATEST = 12  # top-ups, contacts and catches that are shown
_DRAWN = 14  # days of what was
_FARTHEST = 120  # days: beyond, the chart would show nothing else


@dataclass(frozen=True, slots=True)
class TopUpRow:
    """One top-up: by the level, as the guide measured it too, by a can, or both."""

    when: Markup
    litres: str
    by_hand: str
    known: str
    wants_a_look: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A sentence, and whether it wants a look."""

    words: str | Markup
    wants_a_look: bool = False


@dataclass(frozen=True, slots=True)
class WaterPage:
    """What the sheet shows beside the guide.

    `stays_off`: a contact left a probe where only another phase helps.
    """

    lead: tuple[Markup, ...]
    tray: Markup
    worries: tuple[Line, ...]
    days: str
    days_unit: str
    days_words: str | Markup
    decline: Markup
    decline_words: str
    balance_span: Markup
    balance: tuple[LedgerRow, ...]
    balance_words: str
    top_ups: tuple[TopUpRow, ...]
    contacts: tuple[Line, ...]
    stays_off: bool
    wetted: tuple[tuple[str, str], ...]
    catches: tuple[Line, ...]
    salts: Line


def water_page(snapshot: Snapshot, water: Water | None, seen: WaterLook) -> WaterPage:
    """Work out the sheet of a rig with a reservoir.

    Parameters
    ----------
    snapshot : Snapshot
        The record now.
    water : Water or None
        The level as it is drawn.
    seen : WaterLook
        All that is known of the water.
    """
    rig, now_ms = snapshot.rig, snapshot.now_ms
    assert rig.reservoir is not None  # noqa: S101 - there is no such sheet without one
    days, unit, words = _days(seen, rig, now_ms=now_ms)
    rows, span, closes = balance_rows(seen.balance, rig, now_ms=now_ms)
    return WaterPage(
        lead=_lead(snapshot, water),
        tray=Markup() if water is None else draw_tray(rig, water),
        worries=tuple(Line(each.says, wants_a_look=True) for each in seen.worries),
        days=days,
        days_unit=unit,
        days_words=words,
        decline=_chart(rig, rig.reservoir, seen, now_ms=now_ms),
        decline_words=_above_words(rig.reservoir, seen),
        balance_span=span,
        balance=rows,
        balance_words=closes,
        top_ups=tuple(_top_up(each, now_ms=now_ms) for each in seen.top_ups[: -_LATEST - 1 : -1]),
        contacts=tuple(_contacts(seen, now_ms=now_ms)),
        stays_off=any(each.recovery is Recovery.STAYS_OFF for each in seen.asides),
        wetted=tuple((bay, _wetted(counted)) for bay, counted in seen.wetted.items()),
        catches=(
            *(Line(remark, wants_a_look=True) for remark in seen.remarks),
            *(
                Line(
                    Markup("{}, {}: {:.2f} L/(m²h)").format(
                        when(each.at_ms, now_ms=now_ms), each.bay, each.rate
                    )
                )
                for each in seen.catches[: -_LATEST - 1 : -1]
            ),
        ),
        salts=Line("No conductivity was measured yet.")
        if seen.salts is None
        else Line(seen.salts.says, wants_a_look=seen.salts.told),
    )


def _lead(snapshot: Snapshot, water: Water | None) -> tuple[Markup, ...]:
    found = (
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=snapshot.now_ms),
        standing.recording_sentence(snapshot.rig, last_ms=snapshot.last_ms, now_ms=snapshot.now_ms),
        standing.water_sentence(snapshot.rig, water),
        standing.alarms_sentence(snapshot.alarms),
    )
    return tuple(sentence for sentence in found if sentence)


def _days(seen: WaterLook, rig: Rig, *, now_ms: int) -> tuple[str, str, str | Markup]:
    """The figure, its unit, and the sentences under it."""
    stands = seen.standing
    if stands is None:
        return "", "", "The level is not known, so nobody can tell."
    if stands.lost is None or stands.pump_dry is None:
        return "", "", "What is lost a day is not known yet: that takes a day of levels."
    lost = stands.lost
    falls = (
        f"It falls by {lost.per_day:.1f} L a day, between {lost.low:.1f} and {lost.high:.1f} "
        f"(95 %), by {lost.hours:.0f} h of levels."
    )
    parts = stands.split
    if parts is not None and not isnan(parts.evaporated.litres):
        falls += f" {part_words(parts.evaporated)} L a day of it evaporate"
        if not isnan(parts.taken_up.litres):
            rest = "" if weighs(rig) is Weighs.SPECIMEN else ", by difference,"
            falls += f", {part_words(parts.taken_up)}{rest} are taken up by the specimen"
        falls += "."
    pump = stands.pump_dry
    if pump.days == inf:
        return "", "", f"At this rate the water lasts for ever. {falls}"
    days = f"{pump.days:.0f}" if pump.days >= 10 else f"{pump.days:.1f}"
    empty = "" if stands.dry is None or stands.dry.days == inf else f" Empty: {_range(stands.dry)}."
    words = Markup("{} (95 %): {}.{} {}").format(
        _range(pump), _dates(pump, now_ms=now_ms), empty, falls
    )
    return days, "days until the pump runs dry", words


def _range(days: Days) -> str:
    low, high = f"{days.low:.0f}", "no end" if days.high == inf else f"{days.high:.0f} days"
    if days.high < 10:
        low, high = f"{days.low:.1f}", f"{days.high:.1f} days"
    return f"{low} to {high}"


def _dates(days: Days, *, now_ms: int) -> Markup:
    first = date(now_ms + round(days.low * _DAY_MS))
    if days.high == inf:
        return Markup("from {} on").format(first)
    return Markup("{} to {}").format(first, date(now_ms + round(days.high * _DAY_MS)))


def _chart(rig: Rig, reservoir: Reservoir, seen: WaterLook, *, now_ms: int) -> Markup:
    first_ms = now_ms - _DRAWN * _DAY_MS
    hours = [hour for hour in seen.hours if first_ms <= hour.at * 1000 <= now_ms]
    stands, table = seen.standing, reservoir.depth_table
    under = volume(reservoir.pump_needs, table)
    stop = volume(reservoir.stop, table)
    if stands is None or stands.litres is None or under is None or stop is None or not hours:
        return Markup()
    points: list[tuple[int, float | None]] = []
    for before, hour in zip((None, *hours), hours, strict=False):
        at = round(hour.at * 1000)
        if before is not None and hour.at - before.at > 3 * 3600.0:
            points.append((at - 1, None))  # nothing is drawn across a gap
        litres = volume(hour.level, table)
        points.append((at, None if litres is None else litres - under))
    now = stands.litres - under
    points.append((now_ms, now))
    pump = stands.pump_dry
    ends = None
    if pump is not None and pump.days <= _FARTHEST:
        latest = min(pump.high, 2 * _FARTHEST)
        low, best, high = (now_ms + round(d * _DAY_MS) for d in (pump.low, pump.days, latest))
        ends = (low, best, high)
    return draw_decline(Decline(points, now_ms, now, stop - under, ends))


def _above_words(reservoir: Reservoir, seen: WaterLook) -> str:
    """From where the chart's litres count, and what they are of all that is in it."""
    under = volume(reservoir.pump_needs, reservoir.depth_table)
    if under is None or seen.standing is None or seen.standing.litres is None:
        return ""
    all_in = seen.standing.litres
    return (
        f"Litres above the {under:.1f} L that the pump needs: of the {all_in:.1f} L in it now, "
        f"{all_in - under:.1f} L."
    )


def _top_up(each: TopUp, *, now_ms: int) -> TopUpRow:
    return TopUpRow(
        when=when(each.at_ms, now_ms=now_ms),
        litres=part_words(Part(each.litres, each.u)) if each.by_level else "",
        by_hand="" if each.by_can is None else f"{each.by_can:.1f}",
        known=each.agreement.value,
        wants_a_look=each.agreement in (Agreement.DISAGREES, Agreement.DISAGREES_GUIDED),
    )


def _contacts(seen: WaterLook, *, now_ms: int) -> list[Line]:
    found = []
    for window in seen.windows[: -_LATEST - 1 : -1]:
        began = when(window.from_ms, now_ms=now_ms)
        lasted = (
            "it lasts"
            if window.until_ms is None
            else f"for {span_words((window.until_ms - window.from_ms) / 1000)}"
        )
        words = Markup("{}, {}: {}").format(began, lasted, window.says)
        found.append(Line(words, window.until_ms is None))
    waiting = [each.probe for each in seen.asides if each.recovery is Recovery.WAITING]
    if waiting:
        count = with_noun(len(waiting), "probe is", "probes are")
        found.append(Line(f"{count} set aside until back on their trend: {', '.join(waiting)}."))
    off = [each for each in seen.asides if each.recovery is Recovery.STAYS_OFF]
    found += [Line(f"{each.probe}: {each.says}", wants_a_look=True) for each in off]
    return found


def _wetted(counted: dict[Wetting, float]) -> str:
    days = {state: seconds / 86_400 for state, seconds in counted.items()}
    words = f"{days[Wetting.RUNNING]:.1f} days wetted, {days[Wetting.STOPPED]:.1f} not"
    return f"{words}, {days[Wetting.UNKNOWN]:.1f} not known"
