"""README.txt of an export: what lies in it and how it is meant, in plain words."""

import textwrap
from collections.abc import Sequence

from longsoak.core.wording import with_noun
from longsoak.report.fields import Column, Table
from longsoak.report.summary import Summary
from longsoak.vocabulary.flags import Flag

INVENTED = (
    "All data in here is invented: the rig file says so. No measurement stands behind any of it."
)
ADDRESSES = (
    "The rig files hold the addresses that notices went to, and the logbook and the proofs the "
    "initials of people. Look through them before you publish this."
)

_FLAGS = {
    Flag.PASS: "nothing speaks against it",
    Flag.NOT_EVALUATED: "nobody could tell",
    Flag.SUSPECT: "use it with care; the reason says why",
    Flag.FAIL: "do not use it; the reason says why",
    Flag.MISSING: "the probe was asked and brought nothing",
}
_WIDTH = 78


def readme(summary: Summary, *, tables: Sequence[tuple[Table, str]], has_photos: bool) -> str:
    """Write the README.

    Parameters
    ----------
    summary : Summary
        What the export holds.
    tables : sequence of Table and str
        Each table with the path of its file.
    has_photos : bool
        Whether photos are in it.
    """
    in_csv = all(path.endswith(".csv") for _, path in tables)
    parts = [
        f"{summary.title}\n{'=' * len(summary.title)}",
        *([_wrapped(INVENTED)] if summary.invented else []),
        _wrapped(_what(summary)),
        _headed("Files"),
        "\n".join(_files(tables, has_photos=has_photos)),
        _headed("How it is meant"),
        "\n".join(map(_listed, _meant(in_csv=in_csv))),
        _headed("Flags"),
        "\n".join(f"  {flag.value}  {flag.word}: {says}" for flag, says in _FLAGS.items()),
        *_columns(tables),
        _headed("Whether it is whole"),
        _wrapped("In this folder, `sha256sum -c SHA256SUMS` tells whether any file has changed."),
        *([_wrapped(_lost(summary))] if summary.photos_lost else []),
        *([_wrapped(_root(summary))] if summary.last_head is not None else []),
        _headed("Before you pass it on"),
        _wrapped(ADDRESSES),
    ]
    return "\n\n".join(parts) + "\n"


def _what(summary: Summary) -> str:
    count = with_noun(summary.readings, "reading")
    span = ""
    if summary.first is not None:
        span = f", from {summary.first} to {summary.last}"
    only = ""
    if summary.wanted:
        only = " Only a part of the record was asked for: " + "; ".join(
            f"{what} {value}" for what, value in summary.wanted.items()
        )
        only += "."
    return (
        f"{count} of {with_noun(summary.probes, 'probe')}{span}, written by longsoak "
        f"{summary.software} from the record of the rig.{only}"
    )


def _files(tables: Sequence[tuple[Table, str]], *, has_photos: bool) -> list[str]:
    more = [
        ("rig_files/", "The text of every version of the rig file, with the curves it names."),
        ("curves/", "The curves that the probes of each version are converted by, as TOML."),
        *([("photos/", "Photos, named by their SHA-256.")] if has_photos else []),
        ("datapackage.json", "The same descriptions for programs: a Frictionless Data Package."),
        ("SHA256SUMS", "The digest of every other file."),
    ]
    files = [*((path, table.says) for table, path in tables), *more]
    return [_listed(f"{path}: {says}") for path, says in files]


def _meant(*, in_csv: bool) -> list[str]:
    said = [
        "Times are UTC (RFC 3339, with milliseconds). The time of a reading is the right one as "
        "far as it is known: time_known says whose word it is. Where the clock was not set yet and "
        "was put right later, the reading was placed by the machine's count of time since it "
        "started, and so were events and alarms. Other times are as the machine's clock showed "
        "them.",
        "Units are UCUM codes: % is per cent, Cel degree Celsius, Ohm ohm, 1 none. In "
        "datapackage.json, unit is the code of a whole column, and unit_column names the column "
        "that holds it row by row.",
        "raw is what the instrument gave, unchanged to the last bit. value was worked out of it "
        "when it was taken, with the curve and the temperature of that time.",
        "uncertainty is the standard uncertainty of value (k = 1): twice as much holds about 95 % "
        "where its causes are many. For a temperature in Cel it is in K. It has no part for what "
        "nobody knows, such as salt in a wall.",
        "A value with a bound is no number to average: the truth is at least, or at most, that, "
        "and how far beyond is not known. It has no uncertainty.",
        "The value of a pair of pins is of what quantity says in the table of probes. A "
        "wood-equivalent is no water content of the material.",
        "first_flag is what the program said of a reading when it was taken. flag is the same, but "
        "for readings that a contact with the water set aside (the table windows): these are "
        "suspect at least. Where a row of hand_flags covers the reading, that one counts instead.",
        "A float switch is 1 up and 0 down.",
        "A probe is the same from version to version of the rig file only as far as its rows in "
        "the table of probes say so. Join readings to it by rig_version and probe (there: name).",
        "An empty cell is one for which nothing is known.",
    ]
    if in_csv:
        said.append(
            "A text that a spreadsheet would take for a formula, or that begins with an "
            "apostrophe, has an apostrophe in front. Take one off each cell that begins with one. "
            "Files are UTF-8, with commas; numbers have a point."
        )
    return said


def _columns(tables: Sequence[tuple[Table, str]]) -> list[str]:
    parts = []
    for table, path in tables:
        parts += [
            _headed(f"Columns of {path}"),
            "\n".join(_listed(_column(column)) for column in table.columns),
        ]
    return parts


def _column(column: Column) -> str:
    unit = ""
    if column.unit is not None:
        unit = f" Unit: {column.unit}."
    elif column.unit_column is not None:
        unit = f" Unit: as {column.unit_column} says."
    return f"{column.name}: {column.says}{unit}"


def _lost(summary: Summary) -> str:
    count = with_noun(len(summary.photos_lost), "photo")
    return f"Not there any more: {count} that proofs or logbook name by SHA-256."


def _root(summary: Summary) -> str:
    head = summary.last_head
    if head is None:
        return ""
    return (
        f"The last closed day of the record was {head.day.isoformat()}, and its root over "
        f"{with_noun(head.entries, 'entry', 'entries')} is {head.root}. Whoever has the record can "
        f"show that nothing in it has changed since: `longsoak audit rig.toml --root {head.root} "
        f"--date {head.day.isoformat()}`."
    )


def _headed(words: str) -> str:
    return f"{words}\n{'-' * len(words)}"


def _wrapped(words: str) -> str:
    return textwrap.fill(words, _WIDTH, break_long_words=False, break_on_hyphens=False)


def _listed(words: str) -> str:
    return textwrap.fill(
        words,
        _WIDTH,
        initial_indent="- ",
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
