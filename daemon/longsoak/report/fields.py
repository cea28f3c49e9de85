"""What an export's tables hold: every column with its type, unit and meaning.

One description serves the CSV file, the Parquet file, the package's schema and the README. Longer
than other modules: it is one list of tables, and nothing else.
"""

from dataclasses import dataclass
from enum import StrEnum

from longsoak.core.handflags import BY_HAND
from longsoak.core.handreadings import GRAINS, PINS, UNITS
from longsoak.core.metercheck import WHEN
from longsoak.core.phases import WORDS
from longsoak.core.water.contact import RULE
from longsoak.vocabulary.alarm import AlarmState, Hiding
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.health import Check, Fault
from longsoak.vocabulary.logbook import About
from longsoak.vocabulary.observation import Face, Looked
from longsoak.vocabulary.proof import Outcome, Step
from longsoak.vocabulary.rig import Kind, Quantity
from longsoak.vocabulary.water import Recovery

Cell = str | int | float | bool | None


class FieldType(StrEnum):
    """Types of Frictionless Table Schema v1 that are used here.

    A `DATETIME` cell is UTC in ms since 1970, an `OBJECT` or `ARRAY` cell a JSON text.
    """

    STRING = "string"
    INTEGER = "integer"
    NUMBER = "number"
    BOOLEAN = "boolean"
    DATETIME = "datetime"
    OBJECT = "object"
    ARRAY = "array"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `unit` is a UCUM code, `unit_column` names the column that holds it row by row.

    `narrow` numbers have 32 bits in the record; `needed` cells are never empty.
    """

    name: str
    type: FieldType
    says: str
    unit: str | None = None
    unit_column: str | None = None
    choices: tuple[str | int, ...] = ()
    needed: bool = True
    narrow: bool = False


@dataclass(frozen=True, slots=True)
class Reference:
    """Columns whose cells are found together in a row of another table."""

    columns: tuple[str, ...]
    table: str
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """One table: `key` are the columns no two rows have alike."""

    name: str
    says: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    references: tuple[Reference, ...] = ()


_S, _I, _N = FieldType.STRING, FieldType.INTEGER, FieldType.NUMBER
_B, _T, _J = FieldType.BOOLEAN, FieldType.DATETIME, FieldType.OBJECT

KNOWN = ("clock", "placed", "unsure")
BOUNDS = {"at least": "at_least", "at most": "at_most"}
_LAID_OVER = (Reason.BY_HAND, Reason.SERVICE, Reason.SET_ASIDE)  # never stored
_FIRST_REASONS = tuple(r.words for r in Reason if r.words and r not in _LAID_OVER)
_REASONS = (*_FIRST_REASONS, Reason.SET_ASIDE.words)  # what is set by hand has its own table

READINGS = Table(
    "readings",
    "Every reading, one a row, in the order taken.",
    (
        Column("time", _T, "When it was taken, UTC."),
        Column("probe", _S, "The probe's name."),
        Column(
            "raw",
            _N,
            "What the instrument gave, to the last bit; empty where none came.",
            unit_column="raw_unit",
            needed=False,
        ),
        Column("raw_unit", _S, "Unit of raw, a UCUM code; empty where no raw came.", needed=False),
        Column(
            "value",
            _N,
            "What raw was converted to when it was taken; empty where it could not be.",
            unit_column="unit",
            needed=False,
            narrow=True,
        ),
        Column(
            "uncertainty",
            _N,
            "Standard uncertainty of value (k = 1), in its unit, K for a temperature; empty where "
            "there is none, as for a bound.",
            unit_column="unit",
            needed=False,
            narrow=True,
        ),
        Column("unit", _S, "Unit of value, a UCUM code.", needed=False),
        Column(
            "flag",
            _I,
            "How far it can be believed: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing. "
            "What a contact with the water set aside is suspect at least.",
            choices=tuple(map(int, Flag)),
        ),
        Column("reason", _S, "Why it has that flag.", choices=_REASONS, needed=False),
        Column("first_flag", _I, "The flag it was taken with.", choices=tuple(map(int, Flag))),
        Column(
            "first_reason",
            _S,
            "Why it was taken with that flag.",
            choices=_FIRST_REASONS,
            needed=False,
        ),
        Column(
            "bound",
            _S,
            "Where value is no number but a bound: the truth is at least, or at most, that.",
            choices=tuple(BOUNDS.values()),
            needed=False,
        ),
        Column("rig_version", _I, "The version of the rig file it was taken under."),
        Column(
            "time_known",
            _S,
            "Whose word time is: the clock's, placed once the clock was set right, or unsure.",
            choices=KNOWN,
        ),
        Column("scan", _I, "Number of the pass it came in; rises in the order taken."),
    ),
    key=("scan", "probe"),
    references=(
        Reference(("rig_version", "probe"), "probes", ("rig_version", "name")),
        Reference(("rig_version",), "rig_versions", ("rig_version",)),
    ),
)

PROBES = Table(
    "probes",
    "What each probe was, once for each version of the rig file.",
    (
        Column("rig_version", _I, "The version of the rig file that says so."),
        Column("name", _S, "The probe's name."),
        Column("kind", _S, "What it measures.", choices=tuple(map(str, Kind)), needed=False),
        Column("bay", _S, "The bay it sits in.", needed=False),
        Column("depth_mm", _N, "Depth from the wet face.", unit="mm", needed=False),
        Column("height_mm", _N, "Height above the underside.", unit="mm", needed=False),
        Column(
            "across_mm",
            _N,
            "Distance from the left edge, seen from the wet face.",
            unit="mm",
            needed=False,
        ),
        Column("place", _S, "Where else it is.", needed=False),
        Column("curve", _S, "The curve from resistance to moisture content.", needed=False),
        Column(
            "quantity",
            _S,
            "What a pair of pins' value is of, in % of the oven-dry mass.",
            choices=tuple(map(str, Quantity)),
            needed=False,
        ),
        Column("unit", _S, "Unit of its values, a UCUM code.", needed=False),
        Column("bus", _S, "The bus it is on."),
        Column("every_s", _N, "Time between two looks at it.", unit="s", needed=False),
    ),
    key=("rig_version", "name"),
    references=(Reference(("rig_version",), "rig_versions", ("rig_version",)),),
)

RIG_VERSIONS = Table(
    "rig_versions",
    "Every version of the rig file that readings were taken under.",
    (
        Column("rig_version", _I, "Its number."),
        Column("accepted", _T, "When it was first run, by the machine's clock."),
        Column("sha256", _S, "Digest of its text."),
        Column("rig_file", _S, "Where in this package its text lies."),
        Column("curves_file", _S, "Where the curves its probes use lie.", needed=False),
    ),
    key=("rig_version",),
)

EVENTS = Table(
    "events",
    "What happened around the readings: buses that came and went, clocks that were set.",
    (
        Column("number", _I, "Its place among them."),
        Column("time", _T, "When, placed as readings are."),
        Column("kind", _S, "What kind of thing."),
        Column("subject", _S, "What it happened to."),
        Column("says", _S, "What happened.", needed=False),
    ),
    key=("number",),
)

ALARMS = Table(
    "alarms",
    "Every change of every alarm.",
    (
        Column("number", _I, "Its number in the record."),
        Column("time", _T, "When, placed as readings are."),
        Column("alarm", _S, "The alarm's key: what it watches, and of what."),
        Column("title", _S, "What it is called in the newest rig file.", needed=False),
        Column("old", _S, "State before.", choices=tuple(map(str, AlarmState))),
        Column("new", _S, "State from then on.", choices=tuple(map(str, AlarmState))),
        Column("value", _N, "What was seen.", unit_column="unit", needed=False),
        Column("unit", _S, "Unit of value, a UCUM code.", needed=False),
        Column("says", _S, "What was said of it.", needed=False),
        Column("by", _S, "Who acknowledged, shelved or reset it.", needed=False),
        Column(
            "hiding",
            _S,
            "What lies over it from then on, so that nobody is told of it.",
            needed=False,
            choices=tuple(map(str, Hiding)),
        ),
        Column("until_time", _T, "When a shelving ends.", needed=False),
        Column("told", _B, "Whether people were to be told of this change."),
    ),
    key=("number",),
)

GAPS = Table(
    "gaps",
    "Times without any reading, between two runs of the measuring program.",
    (
        Column("number", _I, "Its place among them."),
        Column("from_time", _T, "The last reading before, by the machine's clock."),
        Column("until_time", _T, "The start after it, by the machine's clock."),
        Column(
            "length_s",
            _N,
            "How long, as far as can be vouched for; empty where it can't.",
            unit="s",
            needed=False,
        ),
        Column("clean", _B, "Whether the run before was ended on purpose."),
    ),
    key=("number",),
)

PROOF = Table(
    "proof",
    "Every step of every proof of the wiring; a later one of the same step stands for an earlier.",
    (
        Column("number", _I, "Its number in the record."),
        Column("time", _T, "When, by the machine's clock."),
        Column("proof", _S, "The proof it belongs to, by when that began."),
        Column("step", _S, "What was done.", choices=tuple(map(str, Step))),
        Column("subject", _S, "At which probe, which safety item, or the rig."),
        Column("outcome", _S, "How it ended.", choices=tuple(map(str, Outcome))),
        Column("by", _S, "Initials."),
        Column("says", _S, "What was found.", needed=False),
        Column("content", _J, "The numbers it rests on, as JSON."),
    ),
    key=("number",),
)

LOGBOOK = Table(
    "logbook",
    "What people wrote down. An entry is never changed: one that corrects another names it.",
    (
        Column("number", _I, "Its number in the record."),
        Column("time", _T, "The time it speaks of, by a clock set right."),
        Column("asked", _T, "When it was written, by the clock of whoever wrote."),
        Column("kept", _T, "When the measuring program kept it, by the machine's clock."),
        Column("kind", _S, "What kind of entry; note is words alone."),
        Column("about", _S, "What kind of thing it is about.", choices=tuple(map(str, About))),
        Column("subject", _S, "Which of them."),
        Column("by", _S, "Initials."),
        Column("says", _S, "What was written; may have several lines.", needed=False),
        Column("corrects", _I, "The number of the entry it sets right.", needed=False),
        Column("photos", FieldType.ARRAY, "SHA-256 of its photos, a JSON list.", needed=False),
        Column("rig_version", _I, "The version of the rig file that was run when it was kept."),
        Column("content", _J, "What else belongs to an entry of its kind, as JSON."),
    ),
    key=("number",),
    references=(Reference(("rig_version",), "rig_versions", ("rig_version",)),),
)

HAND_FLAGS = Table(
    "hand_flags",
    "Flags that people set on readings and that count. Where one covers a reading it supersedes "
    "that reading's flag, which stays as it was; of several, the one with the largest number.",
    (
        Column("number", _I, "The number of the logbook entry it stands in."),
        Column("probe", _S, "The probe whose readings they are."),
        Column("from_time", _T, "The first of them, UTC."),
        Column("until_time", _T, "Where they end; empty while nobody ended it.", needed=False),
        Column("flag", _I, "What they are, as in readings.", choices=tuple(map(int, BY_HAND))),
        Column("by", _S, "Initials."),
        Column("says", _S, "Why."),
    ),
    key=("number", "probe"),
    references=(Reference(("number",), "logbook", ("number",)),),
)

HAND_READINGS = Table(
    "hand_readings",
    "Readings that people took with a hand meter, and that count: of the logbook's entries of the "
    "kind hand reading, those that no other entry corrects. The meter's scale and settings were "
    "the same over a round only as far as its rows say so.",
    (
        Column("number", _I, "The number of the logbook entry it stands in."),
        Column("time", _T, "When it was taken, UTC."),
        Column("round", _S, "The round it was taken in, as whoever took it called it."),
        Column("bay", _S, "The bay it was taken in."),
        Column("depth_mm", _N, "Depth from the wet face.", unit="mm"),
        Column("height_mm", _N, "Height above the underside.", unit="mm"),
        Column(
            "across_mm",
            _N,
            "Distance from the left edge, seen from the wet face; empty where nobody told it.",
            unit="mm",
            needed=False,
        ),
        Column("value", _N, "What the meter showed, uncorrected.", unit_column="unit"),
        Column("unit", _S, "Unit of value, a UCUM code.", choices=UNITS),
        Column(
            "bound",
            _S,
            "Where the meter showed the end of its scale: the truth is at least, or at most, that.",
            choices=tuple(BOUNDS.values()),
            needed=False,
        ),
        Column(
            "uncertainty",
            _N,
            "Standard uncertainty of value (k = 1), in its unit, where it was told.",
            unit_column="unit",
            needed=False,
        ),
        Column("meter", _S, "The meter."),
        Column("scale", _S, "The species, group or material the meter was set to.", needed=False),
        Column(
            "correction_temperature",
            _N,
            "The temperature the meter was set to correct for, where it asks for one.",
            unit="Cel",
            needed=False,
        ),
        Column(
            "wood_temperature", _N, "Of the wood, where it was known.", unit="Cel", needed=False
        ),
        Column("grain", _S, "How the pins stood to the grain.", choices=GRAINS[1:], needed=False),
        Column("pins", _S, "What pins they were.", choices=PINS[1:], needed=False),
        Column("same_hole", _B, "Whether the pins went into an old hole again, on purpose."),
        Column("by", _S, "Initials."),
        Column("note", _S, "What else was said of it.", needed=False),
    ),
    key=("number",),
    references=(Reference(("number",), "logbook", ("number",)),),
)

METER_CHECKS = Table(
    "meter_checks",
    "What hand meters showed on a test block before and after rounds of readings by hand: of the "
    "logbook's entries of the kind meter check, those that no other entry corrects. What a meter "
    "was off by is taken off no reading.",
    (
        Column("number", _I, "The number of the logbook entry it stands in."),
        Column("time", _T, "When it was done, UTC."),
        Column("round", _S, "The round it belongs to."),
        Column("meter", _S, "The meter."),
        Column("when", _S, "Whether it was before the round or after it.", choices=WHEN),
        Column("nominal", _N, "What the block should show.", unit_column="unit"),
        Column("shown", _N, "What the meter showed.", unit_column="unit"),
        Column(
            "bound",
            _S,
            "Where the meter showed the end of its scale, which of the two.",
            choices=tuple(BOUNDS.values()),
            needed=False,
        ),
        Column("unit", _S, "Unit of both, a UCUM code.", choices=UNITS),
        Column("by", _S, "Initials."),
    ),
    key=("number",),
    references=(Reference(("number",), "logbook", ("number",)),),
)

OBSERVATIONS = Table(
    "observations",
    "What people saw at a place and graded, and that counts: of the logbook's entries of the kind "
    "observation, those that no other entry corrects. Grade 0 is that nothing was seen. Grades of "
    "one scale only can be held against each other.",
    (
        Column("number", _I, "The number of the logbook entry it stands in."),
        Column("time", _T, "When it was looked at, UTC."),
        Column("bay", _S, "The bay it was looked for in."),
        Column(
            "face", _S, "The face that was looked at.", choices=tuple(map(str, Face)), needed=False
        ),
        Column(
            "depth_mm",
            _N,
            "Depth from the wet face, where it was laid open.",
            unit="mm",
            needed=False,
        ),
        Column(
            "height_from_mm",
            _N,
            "From this height above the underside; empty for all of the bay.",
            unit="mm",
            needed=False,
        ),
        Column("height_to_mm", _N, "Up to this height.", unit="mm", needed=False),
        Column("of", _S, "What was looked for."),
        Column("scale", _S, "The scale it is graded on."),
        Column("grade", _I, "The grade, from 0."),
        Column("highest", _I, "The highest grade of that scale."),
        Column("word", _S, "What the grade means, as the scale says it."),
        Column("extent", _N, "How much of the place, where it was told.", unit="%", needed=False),
        Column("looked", _S, "How it was looked at.", choices=tuple(map(str, Looked))),
        Column("by", _S, "Initials."),
        Column("says", _S, "What was seen, in words."),
        Column("photos", FieldType.ARRAY, "SHA-256 of its photos, a JSON list.", needed=False),
    ),
    key=("number",),
    references=(Reference(("number",), "logbook", ("number",)),),
)

PHASES = Table(
    "phases",
    "The phases of the test that count, as the logbook's entries of the kind phase begin and end "
    "them.",
    (
        Column("number", _I, "The number of the logbook entry that begins it."),
        Column("phase", _S, "What it is.", choices=WORDS),
        Column("name", _S, "What it is called.", needed=False),
        Column("control", _S, "The bay that stays unwetted; empty if none is named.", needed=False),
        Column("from_time", _T, "When it begins, UTC."),
        Column("until_time", _T, "When it ends; empty while it goes on.", needed=False),
        Column("by", _S, "Initials of whoever began it."),
        Column("says", _S, "Why."),
    ),
    key=("number",),
    references=(Reference(("number",), "logbook", ("number",)),),
)

WINDOWS = Table(
    "windows",
    "Times in which water touched the specimen, or splashed it, and what that set aside: one row "
    "for each probe. A reading of the probe from set_aside_from on, before set_aside_until, is "
    "flagged in readings as suspect, unless it failed or is missing anyway; its first_flag stays. "
    + RULE,
    (
        Column("number", _I, "Its place among them."),
        Column("contact", _I, "Which contact it was, of all in their order."),
        Column("from_time", _T, "When the water reached the specimen, UTC."),
        Column("until_time", _T, "When it was clear of it again; empty so far.", needed=False),
        Column("highest", _N, "The highest level seen.", unit="mm", needed=False),
        Column("says", _S, "What was seen."),
        Column("probe", _S, "A probe it set aside; empty where there is none.", needed=False),
        Column("set_aside_from", _T, "The first reading set aside.", needed=False),
        Column("set_aside_until", _T, "Where they end; empty so far.", needed=False),
        Column(
            "recovery",
            _S,
            "How the probe stands.",
            needed=False,
            choices=tuple(map(str, Recovery)),
        ),
        Column("why", _S, "Why it stands so.", needed=False),
    ),
    key=("number",),
)

FINDINGS = Table(
    "findings",
    "What the program found against probes by judging their readings, and when that was over.",
    (
        Column("number", _I, "Its place among them, in the order found."),
        Column("found", _T, "When it could be said: the time up to which readings were judged."),
        Column("since", _T, "Since when it is so, as far as can be told."),
        Column("probe", _S, "The probe."),
        Column("fault", _S, "What it has.", choices=tuple(map(str, Fault))),
        Column("over", _B, "Whether it is over with this."),
        Column("says", _S, "In one sentence."),
        Column("against", FieldType.ARRAY, "The probes it was judged by, a JSON list."),
        Column("figures", _J, "The statistics behind it, as JSON."),
    ),
    key=("number",),
)

SUSPICIONS = Table(
    "suspicions",
    "Readings in a row that a check of single readings did not let pass. Their flag in readings "
    "does not change by it: what looks wet counts as wet until something contradicts it.",
    (
        Column("number", _I, "Its place among them, by probe."),
        Column("probe", _S, "The probe."),
        Column("check", _S, "The check.", choices=tuple(map(str, Check))),
        Column("flag", _I, "The worst flag it gave them.", choices=tuple(map(int, Flag))),
        Column("first", _T, "The first of them."),
        Column("last", _T, "The last of them."),
        Column("readings", _I, "How many."),
    ),
    key=("number",),
)
