"""A rig whose record holds whatever an export may meet; all of it invented."""

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from math import inf, isnan, nan
from pathlib import Path

from longsoak.core.gradescales import PLAIN
from longsoak.core.handflags import flag_content
from longsoak.core.handreadings import Place, Setting, Shown, hand_content
from longsoak.core.metercheck import check_content
from longsoak.core.observations import SeenAt, observation_content
from longsoak.core.phases import phase_content
from longsoak.report.export import Wanted, export
from longsoak.rigfile.load import read
from longsoak.store.files import folder_of
from longsoak.store.health import HealthMemory, HealthNews
from longsoak.store.photos import keep_photo
from longsoak.store.requests import Request
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.health import Check, Fault, Finding, Suspicion
from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.logbook import (
    FLAG,
    HAND,
    METER_CHECK,
    OBSERVATION,
    PHASE,
    THE_RIG,
    About,
    LogbookEntry,
    Subject,
)
from longsoak.vocabulary.observation import Face
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Scan
from photofiles import jpeg_head

GOOD = Path(__file__).parents[1] / "rigfile" / "good.toml"
RIG = "render pair"
START_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
MINUTE = 60_000  # ms
HOUR = 60 * MINUTE

# Names that a rig file takes and a spreadsheet would run, or a CSV file stumble over.
AWKWARD = ("=1+2", "+5 V rail", "-3 dB", "@bench", "'dashed'", '3/4" tube, upper', "Fühler Ω;|")
HEAD = DayHead(date(2026, 5, 3), entries=7, root="0f" * 32, closed_utc_ms=START_MS)
PHOTO = jpeg_head(b"invented")

_SHORT = SealingPlan(tail=4, lengths=(16,), enough=1)


@dataclass(frozen=True, slots=True)
class Kept:
    """One reading as it was handed to the writer, at the time it was taken in truth."""

    scan: int
    probe: str
    utc_ms: int
    raw: float
    raw_unit: str
    value: float
    uncertainty: float
    flag: Flag
    reason: Reason
    rig_version: int


@dataclass
class Made:
    """The rig's file, its record, and every reading that was kept in it."""

    rig_file: Path
    folder: Path
    kept: list[Kept] = field(default_factory=list)

    def of(self, *probes: str) -> list[Kept]:
        """The readings of some probes."""
        return [reading for reading in self.kept if reading.probe in probes]


def quietly(made: Made, out: Path, wanted: Wanted | None = None) -> Path:
    """Export with nobody looking on; return where to."""
    export(made.folder, out, wanted or Wanted(rig=RIG), progress=lambda done, total: None)
    return out


def single(value: float) -> float:
    """What is left of a number in 32 bits."""
    found: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return found


def bits(value: float) -> bytes:
    """A number's own bytes; all that are no number are alike."""
    return struct.pack("<d", nan if isnan(value) else value)


class _Recorder:
    def __init__(self, made: Made) -> None:
        self.made = made
        self.writer = RecordWriter(made.folder, now="2026-05-04T09:00:00Z")
        self.version = 0
        self.scan = 0

    def accept(self, text: str) -> None:
        self.version = self.writer.accept_rig(text, utc_ms=START_MS)

    def take(
        self,
        values: Mapping[str, tuple[float, float, Flag, Reason]],
        *,
        units: Mapping[str, str],
        at_ms: int,
        clock_off_ms: int = 0,
        synchronised: bool = True,
        bus: str = "air",
    ) -> None:
        """Commit one scan of (raw, value, flag, reason), at a true time `at_ms` after the start."""
        self.scan += 1
        raw, converted, flags, reasons = zip(*values.values(), strict=True)
        scan = Scan(
            bus=bus,
            utc_ms=START_MS + at_ms + clock_off_ms,
            boottime_ms=HOUR + at_ms,
            synchronised=synchronised,
            probes=tuple(values),
            units=tuple(units[probe] for probe in values),
            raw=raw,
            values=converted,
            uncertainties=tuple(abs(value) / 64 for value in converted),
            flags=flags,
            reasons=reasons,
        )
        self.writer.commit(Batch(scans=[scan]))
        for place, probe in enumerate(values):
            self.made.kept.append(
                Kept(
                    self.scan,
                    probe,
                    START_MS + at_ms,
                    raw[place],
                    units[probe],
                    single(converted[place]),
                    single(scan.uncertainties[place]),
                    flags[place],
                    reasons[place],
                    self.version,
                )
            )


NUMBERS = (
    *(0.1, 1 / 3, -40.0, -0.0, 0.0, 5e-324, 1.7976931348623157e308, 85.00000000000001),
    *(123456789.12345679, -1e-7, 2.0**-126, 16777217.0, inf, -inf, nan),
)


def make(folder: Path) -> Made:
    """Write the rig file and its record; nobody records into it."""
    folder.mkdir(parents=True, exist_ok=True)
    rig_file = folder / "rig.toml"
    more = "".join(
        f"\n[[probes]]\nname = {json.dumps(name)}\nkind = 'temperature'\nplace = '=HYPERLINK(1)'\n"
        f"bus = 'air'\naddress = {{ device = 9, input = {number} }}\n"
        for number, name in enumerate(AWKWARD)
    )
    first = GOOD.read_text() + more
    rig_file.write_text(first)
    made = Made(rig_file, folder_of(rig_file))
    recorder = _Recorder(made)
    writer = recorder.writer
    recorder.accept(read(rig_file).text)
    _begin(writer, at_ms=0, synchronised=False)
    good, none = Flag.PASS, Reason.NONE
    units = {**dict.fromkeys(AWKWARD, "Cel"), "C 30/60": "Ohm", "P 30/60": "Ohm"}
    units |= {"meter reference": "kOhm", "water level": "mV", "high float": "1"}
    for i, number in enumerate(NUMBERS):  # the clock is a year behind until scan 9
        behind = -365 * 24 * HOUR if i < 8 else 0
        found = {
            name: (number * (1 + place), single(min(max(number, -9.0), 60.0) + place), good, none)
            for place, name in enumerate(AWKWARD)
        }
        told = units
        if number != number:  # an instrument that gave nothing told no unit either
            found = dict.fromkeys(AWKWARD, (nan, nan, Flag.MISSING, Reason.NO_ANSWER))
            told = dict.fromkeys(AWKWARD, "")
        recorder.take(found, units=told, at_ms=MINUTE * i, clock_off_ms=behind, synchronised=i >= 8)
    judged = [
        (1.2e4, 25.0, good, Reason.WETTER_THAN_CURVE),
        (3.4e11, 7.0, good, Reason.DRIER_THAN_CURVE),
        (120.0, 25.0, Flag.SUSPECT, Reason.SHORT_CIRCUIT),
        (9e9, nan, Flag.FAIL, Reason.OPEN_CIRCUIT),
        (5e7, 17.8125, Flag.SUSPECT, Reason.STAND_IN_TEMPERATURE),
        (5e7, nan, Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE),
        (15.0, nan, Flag.FAIL, Reason.SHORT_CIRCUIT),
    ]
    for i, reading in enumerate(judged):
        at_ms = HOUR + MINUTE * i
        pins = {"C 30/60": reading, "P 30/60": judged[-1 - i]}
        pins["meter reference"] = (10020.0 + i, 1.002e7, good, none)
        recorder.take(pins, units=units, at_ms=at_ms, bus="meter")
        level = {"water level": (470.5 + i, 45.05 + i / 8, good, none)}
        recorder.take(level, units=units, at_ms=at_ms + 5000, bus="tray")
    writer.commit(_beside(made.folder))
    writer.keep_health(_judged())
    writer.end_run(utc_ms=START_MS + 2 * HOUR)
    recorder.accept(
        first.replace("depth = 30\nheight = 60\nacross = 250", "depth = 32\nheight = 60")
    )
    _begin(writer, at_ms=3 * HOUR, synchronised=True)
    for i in range(40):
        level = {
            "water level": (480.5 + i, 46.05 + i / 8, good, none),
            "C 30/60": (6e7 + i / 3, 16.0 + i / 7, good, none),
        }
        recorder.take(level, units=units, at_ms=3 * HOUR + MINUTE * (i + 1), bus="tray")
    writer.close()
    return made


def seal(made: Made) -> int:
    """Seal what can be; return how many scans are left as rows."""
    writer = RecordWriter(made.folder, now="2026-05-05T09:00:00Z")
    sealing = writer.sealing(_SHORT)
    while sealing.bite():
        pass
    writer.close()
    return _SHORT.tail


def _begin(writer: RecordWriter, *, at_ms: int, synchronised: bool) -> None:
    writer.begin_run(
        boot="boot",
        software="0",
        utc_ms=START_MS + at_ms,
        boottime_ms=HOUR + at_ms,
        synchronised=synchronised,
    )


def _judged() -> HealthNews:
    found = Finding(
        *("=1+2", Fault.STEP, START_MS + HOUR, START_MS + 2 * HOUR, "=1+2: went away"),
        against=("C 30/60",),
        figures={"change": 2.5},
    )
    suspect = Suspicion("=1+2", Check.SPIKE, Flag.SUSPECT, START_MS + HOUR, START_MS + HOUR, 1)
    return HealthNews(HealthMemory(1, None, b""), [found], [suspect], [])


def _beside(folder: Path) -> Batch:
    """What else a record holds, with texts that a spreadsheet would run."""
    photo = keep_photo(folder, PHOTO)
    at_ms = START_MS + 2 * HOUR
    card: dict[str, Json] = {
        "depth_measured": 30.5,
        "photo": "card.jpg",
        "photo_sha256": photo.sha256,
    }
    step = ProofEntry(
        0, at_ms, "2026-05-04T10:30:00.000Z", Step.CARD, "=1+2", Outcome.NOTED, "AB",
        "+ drilled, \"twice\"", card,
    )  # fmt: skip
    note = LogbookEntry(
        asked_utc_ms=at_ms + 1,
        at_utc_ms=at_ms - HOUR,
        by="@AB",
        says="=cmd|' /C calc'!A0\nsecond line, \"quoted\"",
        subject=Subject(About.PROBE, "=1+2"),
        photos=(photo.sha256, "f" * 64),
        number=1,
        request="u1",
        kept_utc_ms=at_ms + 2,
        kept_boottime_ms=5,
    )
    flag = replace(
        note,
        says="-its plug was wet",
        kind=FLAG,
        photos=(),
        content=flag_content(Flag.SUSPECT, until_ms=None),
        number=2,
        request="u2",
    )
    place = hand_content(
        Place(30.0, 60.5, 300.0),
        Shown(28.0, "%", "at least"),
        Setting(round="=1", meter="@meter", scale="+spruce", uncertainty=0.5),
        note="-damp\nat the head",
    )
    by_hand = replace(
        note,
        says="By hand",
        kind=HAND,
        subject=Subject(About.BAY, "cork-lime"),
        photos=(),
        content=place,
        number=3,
        request="u3",
    )
    begins = replace(
        note,
        says="=why",
        kind=PHASE,
        subject=THE_RIG,
        photos=(),
        content=phase_content("wetting", name="+first", control="cork-lime"),
        number=4,
        request="u4",
    )
    on_block = replace(
        note,
        says="=on its block",
        kind=METER_CHECK,
        subject=THE_RIG,
        photos=(),
        content=check_content(
            round_name="=1",
            meter="@meter",
            when="before",
            nominal=Shown(18.0, "%"),
            shown=Shown(60.0, "%", "at least"),
        ),
        number=5,
        request="u5",
    )
    seen = replace(
        note,
        says="=white fur",
        kind=OBSERVATION,
        subject=Subject(About.BAY, "cork-lime"),
        content=observation_content(
            SeenAt("cork-lime", Face.DRY, low=0, high=120), of="salt bloom", scale=PLAIN, grade=2,
            extent=5,
        ),
        number=6,
        request="u6",
    )  # fmt: skip
    asked = Request("u0", at_ms, "proof", "=1+2", "AB")
    change = AlarmChange(
        "overfill: water level", at_ms, 3 * HOUR, AlarmState.NORMAL, AlarmState.NEW, 103.5,
        "-103.5 mm", None,
    )  # fmt: skip
    return Batch(
        events=[
            Event(START_MS + 1, "bus", "air", "@air came back"),
            Event(at_ms, "bus", "=air", "went\naway"),
        ],
        changes=[change],
        proof=[(asked, step)],
        requests=[(asked, at_ms, "kept")],
        logbook=[note, flag, by_hand, begins, on_block, seen],
        heads=[HEAD],
    )
