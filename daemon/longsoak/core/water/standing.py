"""How the water stands: level, what is lost and where it goes, and until when it lasts. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isnan, sqrt

from longsoak.core.water.decline import (
    DAY,
    PAN_FILLED,
    Point,
    Rate,
    beside,
    daily,
    litres,
    rate_of_decline,
)
from longsoak.core.water.forecast import Days, Draw, forecast
from longsoak.core.water.reconcile import TopUp
from longsoak.core.water.split import (
    NOT_KNOWN,
    Balance,
    Part,
    Split,
    balance,
    by_mass,
    evaporation,
    split,
)
from longsoak.core.water.vessel import TABLE_U, clearance, free_surface, to_stop, volume
from longsoak.vocabulary.rig import Kind, Reservoir, Rig, Weighs
from longsoak.vocabulary.water import WaterHour

RECENT = 5.0  # days, and the least that a forecast rests on. Own choice: a spell of weather.
# How far back hours are of use, days: a forecast rests on the later half of them. Over simulated
# years three weeks miss by half of what five days do, for weather evens out; at first less is
# better, for the uptake ebbs (tests/bench/water.py).
HISTORY = 42.0
MASS_JUMP = 2.0  # kg from one hour to the next: somebody leant on the scale, or took something off


@dataclass(frozen=True, slots=True)
class Standing:
    """How the water stands; None is not known.

    `level` and `clearance` in mm with one standard uncertainty `level_u`; `litres` are in the
    reservoir, `to_stop` fit in until the stop; `surface` in m2. `lost` is the rate of the last
    `RECENT` days, L/d, `split` what is known of where it goes. `pump_dry` and `dry` are days until
    the pump would run dry, and until the reservoir is.
    """

    level: float
    level_u: float
    clearance: float
    litres: float | None
    to_stop: float | None
    surface: float | None
    lost: Rate | None
    split: Split | None
    pump_dry: Days | None
    dry: Days | None


def standing(
    rig: Rig,
    reservoir: Reservoir,
    hours: Sequence[WaterHour],
    *,
    level: float,
    level_u: float,
    leaks: Sequence[tuple[float, float]] = (),
) -> Standing:
    """How the water stands.

    Parameters
    ----------
    rig, reservoir : Rig, Reservoir
        The rig and its reservoir.
    hours : sequence of WaterHour
        Those of the last `HISTORY` days, the newest last.
    level, level_u : float
        The level now and its standard uncertainty, mm.
    leaks : sequence of (float, float)
        Leaks and siphons that are over, on the clock of `hours`: nothing goes on as in them.
    """
    table = reservoir.depth_table
    surface = free_surface(level, table)
    recent = [hour for hour in hours if hour.at > hours[-1].at - RECENT * DAY]
    lost = _lost(recent)
    parts = pump_dry = dry = None
    if lost is not None and surface is not None:
        parts = _split(rig, recent, lost, surface)
        half = (hours[-1].at - hours[0].at) / 2
        later = [hour for hour in hours if hour.at > hours[-1].at - max(half, RECENT * DAY)]
        later = _without(later, leaks)
        goes_on = _split(rig, later, _lost(later) or lost, surface)
        known = 0.0 if isnan(goes_on.evaporated.litres) else goes_on.evaporated.litres
        draw = Draw(known / surface, max(0.0, goes_on.lost.litres - known))
        days, u = daily(litres(hours)), goes_on.lost.u
        pump_dry, dry = (
            forecast(level, depth, table, draw, rate_u=u, daily=days, level_u=level_u)
            for depth in (reservoir.pump_needs, table[0][0])
        )
    return Standing(
        level=level,
        level_u=level_u,
        clearance=clearance(level, rig.specimen.underside),
        litres=volume(level, table),
        to_stop=to_stop(level, reservoir.stop, table),
        surface=surface,
        lost=lost,
        split=parts,
        pump_dry=pump_dry,
        dry=dry,
    )


def _without(hours: Sequence[WaterHour], spans: Sequence[tuple[float, float]]) -> list[WaterHour]:
    """The hours outside of spans; what lies on either side of one is not compared."""
    return [
        hour._replace(
            stretch=hour.stretch * (len(spans) + 1) + sum(end < hour.at for _, end in spans)
        )
        for hour in hours
        if not any(begin <= hour.at <= end for begin, end in spans)
    ]


def _lost(hours: Sequence[WaterHour]) -> Rate | None:
    """What is lost, L/d, by the levels of some hours."""
    noise = max((hour.litres_u for hour in hours), default=0.0)
    return rate_of_decline(litres(hours), noise=noise)


def books(
    rig: Rig, hours: Sequence[WaterHour], top_ups: Sequence[TopUp], drawn_off: Sequence[Part]
) -> Balance | None:
    """The balance of the time that `hours` span; None where they span less than a day.

    Parameters
    ----------
    hours : sequence of WaterHour
        The newest last.
    top_ups : sequence of TopUp
        Those of that time, as `longsoak.core.water.reconcile` puts them together.
    drawn_off : sequence of Part
        What went out at once in that time, by hand or a siphon.
    """
    if not hours or hours[-1].at - hours[0].at < DAY:
        return None
    first, last = hours[0], hours[-1]
    days = (last.at - first.at) / DAY
    more = last.litres - first.litres
    noise = sqrt(first.litres_u**2 + last.litres_u**2)
    surface = sum(hour.surface for hour in hours) / len(hours)
    evaporated, taken = _rates(rig, hours, surface)
    return balance(
        days,
        topped_up=Part(sum(t.litres for t in top_ups), hypot(*(t.u for t in top_ups))),
        drawn_off=Part(sum(p.litres for p in drawn_off), hypot(*(p.u for p in drawn_off))),
        more=Part(more, hypot(noise, TABLE_U * more)),
        evaporated=Part(evaporated.litres * days, evaporated.u * days),
        taken_up=Part(taken.litres * days, taken.u * days),
    )


def lacks_words(rig: Rig, balance: Balance) -> str:
    """What is missing to tell whether the books close: "a scale under the specimen".

    A pan or a scale that is there and has told nothing yet is named as such.
    """
    lacking = []
    if isnan(balance.evaporated.litres):
        lacking.append(
            "an evaporation pan" if rig.pan is None else "a day of levels of the evaporation pan"
        )
    if isnan(balance.taken_up.litres):
        there = weighs(rig) is Weighs.SPECIMEN
        lacking.append("a day of readings of the scale" if there else "a scale under the specimen")
    return " and ".join(lacking)


def weighs(rig: Rig) -> Weighs | None:
    """What the rig's scale carries; None without one."""
    return next((probe.weighs for probe in rig.probes if probe.kind is Kind.SCALE), None)


def _split(rig: Rig, hours: Sequence[WaterHour], lost: Rate, surface: float) -> Split:
    pan = _by_pan(rig, hours, surface)
    carries = weighs(rig)
    return split(lost, pan=pan, scale=_by_scale(hours, carries), weighs=carries)


def _rates(rig: Rig, hours: Sequence[WaterHour], surface: float) -> tuple[Part, Part]:
    """What evaporates and what is taken up, L/d, each by a witness of its own."""
    carries = weighs(rig)
    gained = _by_scale(hours, carries) if carries is Weighs.SPECIMEN else NOT_KNOWN
    return _by_pan(rig, hours, surface), Part(-gained.litres, gained.u)


def _by_pan(rig: Rig, hours: Sequence[WaterHour], surface: float) -> Part:
    if rig.pan is None:
        return NOT_KNOWN
    rate = rate_of_decline(beside(hours, "pan", jump=PAN_FILLED))
    return NOT_KNOWN if rate is None else evaporation(rate, rig.pan, surface)


def _by_scale(hours: Sequence[WaterHour], carries: Weighs | None) -> Part:
    """What the scale becomes lighter by, L/d."""
    if carries is None:
        return NOT_KNOWN
    points = beside(hours, "mass", jump=MASS_JUMP, down=True)
    if carries is Weighs.RESERVOIR:  # it jumps with the level, and only then
        points = [Point(h.at, h.mass, h.stretch) for h in hours if not isnan(h.mass)]
    rate = rate_of_decline(points)
    return NOT_KNOWN if rate is None else by_mass(rate)
