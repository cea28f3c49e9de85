"""All that is known of the water now, looked up at once: what the command and the pages show."""

from dataclasses import dataclass

from longsoak.core.water.cups import Catch, remarks
from longsoak.core.water.forecast import Days
from longsoak.core.water.reconcile import TopUp
from longsoak.core.water.rounds import catches, conductivities
from longsoak.core.water.salts import Salts, concentration
from longsoak.core.water.split import Balance, Part
from longsoak.core.water.standing import HISTORY, Standing, books, standing
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.store.water import Happening, WaterRecord
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import CUP, WATER
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Reservoir, Rig
from longsoak.vocabulary.water import Aside, ContactWindow, Found, WaterHour, Wetting

DAY_MS = 86_400_000
HISTORY_MS = round(HISTORY * DAY_MS)
BALANCE_MS = 7 * DAY_MS
TOP_UPS_MS = 30 * DAY_MS
_WORRIES = (Found.LEAK, Found.SIPHON, Found.PUMP_STILL, Found.RISES, Found.STUCK, Found.JUMPS)


@dataclass(frozen=True, slots=True)
class WaterLook:
    """What is known of the water at a time; None is not known.

    `worries` are what was found and is not over. `wetted` is by bay, s since the record began.
    `hours` are those of `HISTORY_MS`.
    """

    reading: Reading | None
    standing: Standing | None
    balance: Balance | None
    top_ups: list[TopUp]
    worries: list[Happening]
    windows: list[ContactWindow]
    asides: list[Aside]
    wetted: dict[str, dict[Wetting, float]]
    catches: list[Catch]
    remarks: list[str]
    salts: Salts | None
    hours: list[WaterHour]


def look(record: Record, rig: Rig, *, now_ms: int) -> WaterLook:
    """Look up all that is known of a rig's water.

    Parameters
    ----------
    record : Record
        The rig's.
    rig : Rig
        With a reservoir.
    now_ms : int
        UTC, ms since 1970.

    Raises
    ------
    StoreError
        The record can't be read.
    ValueError
        The rig has no reservoir.
    """
    if rig.reservoir is None:
        raise ValueError("the rig has no reservoir, so there is no water to look at")
    water, logbook = WaterRecord(record.folder), Logbook(record.folder)
    reading = record.latest((rig.reservoir.level,)).get(rig.reservoir.level)
    hours = water.hours(since_ms=now_ms - HISTORY_MS, until_ms=now_ms + DAY_MS)
    stands = _standing(rig, rig.reservoir, water, reading, hours, now_ms=now_ms)
    top_ups = water.top_ups(logbook, since_ms=now_ms - TOP_UPS_MS)
    week = [hour for hour in hours if hour.at * 1000 >= now_ms - BALANCE_MS]
    began_ms = round(week[0].at * 1000) if week else now_ms
    drawn = water.happenings(Found.DRAWN_OFF, Found.SIPHON, since_ms=began_ms)
    first_ms = record.first_utc_ms()
    made = catches(logbook.entries(kind=CUP))
    return WaterLook(
        reading=reading,
        standing=stands,
        balance=books(
            rig,
            week,
            [each for each in top_ups if each.at_ms >= began_ms],
            [Part(each.figures["litres"], each.figures["litres_u"]) for each in drawn],
        ),
        top_ups=top_ups,
        worries=[each for each in water.happenings(*_WORRIES) if each.until_ms is None],
        windows=water.windows(),
        asides=water.asides(rig, now_ms=now_ms),
        wetted=water.wetted(
            [bay.name for bay in rig.specimen.bays],
            since_ms=now_ms if first_ms is None else first_ms,
            until_ms=now_ms,
        ),
        catches=made,
        remarks=remarks(made),
        salts=_salts(record, rig, logbook, water),
        hours=hours,
    )


def pump_dry(record: Record, rig: Rig, *, now_ms: int) -> Days | None:
    """Days until the pump of a rig would run dry; None where that is not known.

    Parameters
    ----------
    record, rig, now_ms
        As for `look`, and the rig may be without a reservoir.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    if rig.reservoir is None:
        return None
    water = WaterRecord(record.folder)
    reading = record.latest((rig.reservoir.level,)).get(rig.reservoir.level)
    hours = water.hours(since_ms=now_ms - HISTORY_MS, until_ms=now_ms + DAY_MS)
    stands = _standing(rig, rig.reservoir, water, reading, hours, now_ms=now_ms)
    return None if stands is None else stands.pump_dry


def _standing(
    rig: Rig,
    reservoir: Reservoir,
    water: WaterRecord,
    reading: Reading | None,
    hours: list[WaterHour],
    *,
    now_ms: int,
) -> Standing | None:
    """How the water stands by a reading of its level; None where that says nothing."""
    if reading is None or reading.value is None or reading.flag is Flag.FAIL:
        return None
    leaks = water.happenings(Found.LEAK, Found.SIPHON, since_ms=now_ms - HISTORY_MS)
    return standing(
        rig,
        reservoir,
        hours,
        level=reading.value,
        level_u=reading.uncertainty or 0.0,
        leaks=[(e.from_ms / 1000, e.until_ms / 1000) for e in leaks if e.until_ms is not None],
    )


def _salts(record: Record, rig: Rig, logbook: Logbook, water: WaterRecord) -> Salts | None:
    """How salty the water has become: by its probe as the books have it, else by hand."""
    probe = next((each.name for each in rig.probes if each.kind is Kind.CONDUCTIVITY), None)
    told = water.happenings(Found.SALTS)
    if probe is not None and told:
        reading = record.latest((probe,)).get(probe)
        if reading is not None and reading.value is not None:
            return concentration(told[0].figures["first"], reading.value)
    rounds = [found for _, found in conductivities(logbook.entries(kind=WATER)) if found > 0]
    return concentration(rounds[0], rounds[-1]) if rounds else None
