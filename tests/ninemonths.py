"""Nine months of a test whose truth is known, with all that goes wrong in one; all of it invented.

Four bays of lime on timber, of which the last stays unwetted. A front goes with the root of time;
behind it a place gets wetter for some days and rests. In between there are a drying, a second
wetting, contacts with the water, times without readings, a pair of pins that breaks and one whose
leads get wet, and a curve that was corrected half way, under which all is then converted again.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from longsoak.core.handflags import flag_content
from longsoak.core.handreadings import Place, Setting, Shown, hand_content
from longsoak.core.phases import phase_content
from longsoak.core.quality.day import Day
from longsoak.core.quality.health import ClosedDay
from longsoak.core.water.timeline import At
from longsoak.core.wording import rfc3339
from longsoak.rigfile.load import parse
from longsoak.service.dayclosing import DayClosing
from longsoak.store.files import RECORD, folder_of
from longsoak.store.health import HealthMemory, HealthNews
from longsoak.store.reader import Record
from longsoak.store.rederiving import Rederiving
from longsoak.store.water import KeptWater, WaterMemory
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import FLAG, HAND, PHASE, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.water import Found, WaterNews

Floats = npt.NDArray[np.float64]

DAY_MS = 86_400_000
START_MS = 1_777_852_800_000  # 2026-05-04T00:00:00Z
DAYS = 270
BAYS = ("cork-lime", "plain lime", "hemp-lime", "dry control")
CONTROL = BAYS[3]
DEPTHS = (30, 50, 80, 120, 170)
HEIGHTS = (60, 210, 360)
# Days on which phases begin.
BASELINE, WETTED, DRIED, AGAIN = 2, 20, 140, 200
PACE = {BAYS[0]: 14.0, BAYS[1]: 20.0, BAYS[2]: 17.0}  # mm in the root of a day
DRY = 12.0  # % before the water
WET = 34.0  # % at the face
RISES, FALLS = 8.0, 22.0  # days
NOISE, OFF = 0.08, 0.5  # %, of a reading; and standard, of all readings together
CONTACTS = ((61.0, 61.3), (222.0, 222.5))  # days
GAPS = ((95.0, 97.2), (180.5, 180.9), (230.0, 230.1))
BROKEN = ("cork-lime 170/210", 100.0, 135.0)  # its pins had come off
LEAKED = ("plain lime 80/360", 205.0, 215.0)  # its leads were wet, as somebody saw
CORRECTED = 130.0  # the pins' curve, half way
WRONG = 1.6  # %, by how much it read too dry until then
_AT_ONCE = 5_000

_RIG = """
[rig]
name = "four bays"
invented = true
start = 2026-05-04

[report]
question = "Does water reach the timber behind any of three renders, and does cork slow it?"
workmanship = "Cast by two people new to it, by the book; no joints and no cracks at the start."
age = "The renders were 60 days old when the water went on."
operator = "Hand readings by mk, who knew which bay was which."
interests = "Invented: nobody paid for it."

[specimen]
height = 420
width = 1200
underside = 110
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = ["sealed", "open", "sealed"]
{bays}
[reservoir]
name = "tray"
level = "water level"
depth_table = [[0, 0], [150, 61.2]]
length = 1200
breadth = 340
rim = 150
stop = 100
pump_needs = 5

[room]
temperature = "room T"
humidity = "room RH"

[curves."panel, own"]
points = {points}
reference_temperature = 18
correction = "none"
uncertainty = {doubt}
source = "Invented: 11 - moisture content / 5 is the logarithm of the resistance"

[[buses]]
name = "wire"
driver = "lines"
port = "/dev/null"
{probes}
[[probes]]
name = "room T"
kind = "temperature"
place = "before the dry face"
bus = "wire"
address = {{ name = "T" }}
every = {every}

[[probes]]
name = "room RH"
kind = "humidity"
place = "before the dry face"
bus = "wire"
address = {{ name = "H" }}
every = {every}

[[probes]]
name = "water level"
kind = "level"
per_unit = 1.0
bus = "wire"
address = {{ name = "W" }}
every = {every}

[[limits]]
name = "timber of the plain lime"
quantity = "moisture content"
bay = "plain lime"
depth = [80, 170]
at_most = 20
source = "common practice: timber below 20 %"

[[limits]]
name = "timber of the cork-lime"
quantity = "moisture content"
bay = "cork-lime"
depth = [170, 170]
at_most = 20
coverage = 0.6
source = "common practice: timber below 20 %"

[[limits]]
name = "control stays dry"
quantity = "moisture content"
bay = "dry control"
at_most = 16
phases = ["wetting", "drying"]
coverage = 0.7
"""
_BAY = """
[[bays]]
name = "{name}"
from = {start}
to = {end}
layers = [{{ name = "render", material = "lime", thickness = 60 }}, {{ name = "panel", \
material = "timber", thickness = 140 }}]
"""
_PINS = """
[[probes]]
name = "{name}"
kind = "pins"
bay = "{bay}"
depth = {depth}
height = {height}
across = {across}
bus = "wire"
address = {{ name = "P{number}" }}
curve = "panel, own"
temperature = "room T"
every = {every}
"""


@dataclass(frozen=True, slots=True)
class Seat:
    """Where a pair of pins is."""

    name: str
    bay: str
    depth: int
    height: int


SEATS = tuple(
    Seat(f"{bay} {depth}/{height}", bay, depth, height)
    for bay in BAYS
    for depth in DEPTHS
    for height in HEIGHTS
)
NAMES = (*(seat.name for seat in SEATS), "room T", "room RH", "water level")
_UNITS = (*("Ohm",) * len(SEATS), "Cel", "%", "mm")


def rig_text(*, every: int, corrected: bool = False) -> str:
    """The rig file, before or after the pins' curve was corrected."""
    off = 0.0 if corrected else WRONG
    points = [[content - off, float(_resistance(np.array(content)))] for content in range(5, 46, 5)]
    bays = "".join(
        _BAY.format(name=name, start=300 * n, end=300 * n + 300) for n, name in enumerate(BAYS)
    )
    probes = "".join(
        _PINS.format(
            name=seat.name,
            bay=seat.bay,
            depth=seat.depth,
            height=seat.height,
            across=300 * BAYS.index(seat.bay) + 30 + 80 * HEIGHTS.index(seat.height),
            number=number,
            every=every,
        )
        for number, seat in enumerate(SEATS)
    )
    return _RIG.format(bays=bays, probes=probes, every=every, points=points, doubt=OFF)


def _resistance(content: Floats) -> Floats:
    """What pins read at a moisture content in %, Ohm."""
    return np.asarray(np.round(10.0 ** (11.0 - content / 5.0)))


def arrival(seat: Seat) -> float:
    """Days of wetting after which the front is there; endless in the control."""
    return np.inf if seat.bay == CONTROL else float((seat.depth / PACE[seat.bay]) ** 2)


def end_value(seat: Seat) -> float:
    """What a place tends to behind the front, %."""
    return DRY if seat.bay == CONTROL else WET - (WET - DRY) * seat.depth / 240.0


def truth(days: Floats) -> Floats:
    """Moisture content of each seat at some days of the test, %: a row a day, a column a seat."""
    found = np.full((len(days), len(SEATS)), DRY)
    for place, seat in enumerate(SEATS):
        top = end_value(seat) - DRY
        for begin, end in ((WETTED, DRIED), (AGAIN, DAYS)):
            came = begin + arrival(seat)
            wetting = (days >= came) & (days < end)
            found[wetting, place] += top * (1.0 - np.exp(-(days[wetting] - came) / RISES))
            reached = top * (1.0 - np.exp(-max(0.0, end - came) / RISES)) if came < end else 0.0
            after = (days >= end) & (days < (AGAIN if end == DRIED else np.inf))
            found[after, place] += reached * np.exp(-(days[after] - end) / FALLS)
    return found


def record(folder: Path, *, every_ms: int, seed: int = 9) -> Path:
    """Write the rig file and its record, and return the rig file.

    Parameters
    ----------
    folder : Path
        Where the rig file is to lie; it is made.
    every_ms : int
        From one scan to the next.
    seed : int
        Of the noise, and of what all readings are off by.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rig_file = folder / "rig.toml"
    random = np.random.default_rng(seed)
    off = random.normal(0.0, OFF)
    cuts = sorted({0.0, *(end for _, end in GAPS), CORRECTED})
    for number, begin in enumerate(cuts):
        following = cuts[number + 1] if number + 1 < len(cuts) else float(DAYS)
        end = next((gap for gap, after in GAPS if after == following), following)
        text = rig_text(every=every_ms // 1000, corrected=begin >= CORRECTED)
        _run(folder_of(rig_file), text, (begin, end), every_ms, off, random, first=not number)
    rig_file.write_text(rig_text(every=every_ms // 1000, corrected=True))
    _convert_again(folder_of(rig_file))
    return rig_file


def _convert_again(folder: Path) -> None:
    """As `longsoak reconvert` does, under the corrected rig file."""
    corrected = Record(folder).rig_version()
    assert corrected is not None
    rig = parse(corrected.text, file="rig.toml", find_kind=None)
    Rederiving(folder).derive(
        rig,
        rig_version=corrected.number,
        made_utc_ms=START_MS + DAYS * DAY_MS,
        software="0",
        progress=lambda *_: None,
    )


def _run(
    folder: Path,
    text: str,
    days: tuple[float, float],
    every_ms: int,
    off: float,
    random: np.random.Generator,
    *,
    first: bool,
) -> None:
    begin, end = (round(each * DAY_MS / every_ms) * every_ms + START_MS for each in days)
    writer = RecordWriter(folder, now=rfc3339(begin))
    try:
        writer.accept_rig(text, utc_ms=begin - 1000)
        writer.begin_run(
            boot="b", software="0", utc_ms=begin, boottime_ms=begin - START_MS, synchronised=True
        )
        rows = _rows(np.arange(begin, end, every_ms), off, random)
        at, columns = next(rows)
        writer.commit(Batch(scans=[_scan(at, columns)], logbook=_entries() if first else []))
        (layout, top) = _newest(folder)
        with closing(sqlite3.connect(folder / RECORD)) as db, db:
            db.executemany(
                "INSERT INTO scan VALUES (?, ?, ?, ?, 1, ?)",
                (
                    (top + n, layout, at, at - START_MS, columns.tobytes())
                    for n, (at, columns) in enumerate(rows, start=1)
                ),
            )
        if first:
            writer.keep_water(_contacts())
        writer.keep_health(
            HealthNews(HealthMemory(1, 0, b""), days=_days(days, off, DAY_MS // every_ms))
        )
        sealing, summaries = writer.sealing(), writer.summaries()
        while sealing.bite() or summaries.bite():
            while summaries.under_way:
                summaries.bite()
        summaries.close()
        day_closing, rest = DayClosing(folder, writer), 0.0
        while not rest:
            rest, _ = day_closing.do(now=0.0, utc_ms=end)
        writer.end_run(utc_ms=end)
    finally:
        writer.close()


def _newest(folder: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(folder / RECORD)) as db:
        layout, top = db.execute("SELECT layout, id FROM scan ORDER BY id DESC LIMIT 1").fetchone()
    return int(layout), int(top)


_ROW = np.dtype(
    [
        (name, kind, (len(NAMES),))
        for name, kind in (
            ("raw", "<f8"),
            ("values", "<f4"),
            ("uncertainties", "<f4"),
            ("flags", "u1"),
            ("reasons", "u1"),
        )
    ]
)


def _rows(
    times: npt.NDArray[np.int64], off: float, random: np.random.Generator
) -> Iterator[tuple[int, npt.NDArray[np.void]]]:
    pins = len(SEATS)
    for first in range(0, len(times), _AT_ONCE):
        some = times[first : first + _AT_ONCE]
        days = (some - START_MS) / DAY_MS
        content = truth(days) + off + random.normal(0.0, NOISE, (len(some), pins))
        laid = np.zeros(len(some), _ROW)
        laid["flags"] = int(Flag.PASS)
        laid["values"][:, :pins] = content - np.where(days < CORRECTED, WRONG, 0.0)[:, None]
        laid["raw"][:, :pins] = _resistance(content)
        laid["uncertainties"][:, :pins] = OFF
        warm = 18.0 + 1.5 * np.sin(2 * np.pi * days / 365.0) + np.sin(2 * np.pi * days)
        for place, value, spread in (
            (pins, warm, 0.2),
            (pins + 1, 62.0 - warm / 3.0, 1.5),
            (pins + 2, 95.0 - 4.0 * (days % 5.0), 1.0),
        ):
            laid["raw"][:, place] = laid["values"][:, place] = value
            laid["uncertainties"][:, place] = spread
        _break(laid, days)
        yield from zip(some.tolist(), laid, strict=True)


def _break(laid: npt.NDArray[np.void], days: Floats) -> None:
    name, begin, end = BROKEN
    off = (days >= begin) & (days < end)
    place = NAMES.index(name)
    laid["raw"][off, place] = 9.9e37  # what a meter gives as its overload
    laid["flags"][off, place] = int(Flag.FAIL)
    laid["reasons"][off, place] = int(Reason.OVER_RANGE)
    laid["values"][off, place] = laid["uncertainties"][off, place] = np.nan


def _scan(at: int, row: npt.NDArray[np.void]) -> Scan:
    columns: Sequence[Sequence[float]] = [row[name].tolist() for name in _ROW.names or ()]
    raw, values, spreads, flags, reasons = columns
    return Scan(
        "wire", at, at - START_MS, True, NAMES, _UNITS, tuple(raw), tuple(values), tuple(spreads),
        tuple(Flag(int(f)) for f in flags), tuple(Reason(int(r)) for r in reasons),
    )  # fmt: skip


def _entries() -> list[LogbookEntry]:
    found = [
        _entry(PHASE, BASELINE, phase_content("baseline"), "Both thermometers hold still"),
        _entry(
            PHASE, WETTED, phase_content("wetting", name="first", control=CONTROL), "18 days steady"
        ),
        _entry(PHASE, DRIED, phase_content("drying"), "Four months are over"),
        _entry(PHASE, AGAIN, phase_content("wetting", name="second", control=CONTROL), "Dry again"),
    ]
    name, begin, end = LEAKED
    wet = flag_content(Flag.SUSPECT, until_ms=START_MS + round(end * DAY_MS))
    found.append(_entry(FLAG, begin, wet, "Its leads were wet", Subject(About.PROBE, name)))
    setting = Setting(
        round="end of the first wetting",
        meter="pin meter 2",
        scale="panel, own",
        correction_temperature=18.0,
    )
    at = np.array([DRIED - 0.5])
    shown = truth(at)[0]
    for place, seat in enumerate(SEATS):
        if seat.depth in (80, 120, 170) and seat.bay != CONTROL:
            read = np.round(shown[place] + (0.4, -0.3, 0.1)[place % 3], 1)
            in_ohm = place % 2
            value = Shown(float(_resistance(read) if in_ohm else read), "Ohm" if in_ohm else "%")
            content = hand_content(Place(seat.depth, seat.height + 20), value, setting)
            subject = Subject(About.BAY, seat.bay)
            found.append(_entry(HAND, DRIED - 0.5, content, "By hand", subject))
    return [replace(e, number=n, request=f"entry {n}") for n, e in enumerate(found, start=1)]


def _entry(
    kind: str,
    day: float,
    content: dict[str, Json],
    says: str,
    subject: Subject = THE_RIG,
) -> LogbookEntry:
    at = START_MS + round(day * DAY_MS)
    return LogbookEntry(
        asked_utc_ms=at, at_utc_ms=at, by="mk", says=says, kind=kind, content=content,
        kept_utc_ms=at, synchronised=True, subject=subject,
    )  # fmt: skip


def _days(days: tuple[float, float], off: float, readings: int) -> list[ClosedDay]:
    """What each probe's days came to, as the service closes them."""
    whole = np.arange(np.ceil(days[0]), np.floor(days[1]), dtype=np.float64)
    content = truth(whole + 0.5) + off
    first = START_MS // DAY_MS
    name, begin, end = BROKEN
    return [
        ClosedDay(
            seat.name, Day(first + int(day), float(content[row, place]), NOISE, readings, good)
        )
        for row, day in enumerate(whole)
        for place, seat in enumerate(SEATS)
        for good in (0 if seat.name == name and begin <= day < end else readings,)
    ]


def _contacts() -> KeptWater:
    news: list[tuple[WaterNews, At, At | None]] = []
    for begin, end in CONTACTS:
        since, until = (START_MS + round(day * DAY_MS) for day in (begin, end))
        told = WaterNews(
            Found.CONTACT,
            since / 1000,
            until / 1000,
            "Water reached 118 mm, and the specimen is touched or splashed from 110 mm on.",
            figures={"highest_mm": 118.0},
        )
        news.append((told, _moment(since), _moment(until)))
    return KeptWater(WaterMemory(1, 1, b""), [], news)


def _moment(utc_ms: int) -> At:
    return At(1, utc_ms, utc_ms - START_MS)
