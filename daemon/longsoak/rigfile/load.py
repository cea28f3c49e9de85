"""Loads a rig file: every mistake in it at once, or the rig."""

import errno
import re
import stat
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from longsoak.driver import BusKind
from longsoak.rigfile.alarmchecks import check_alarms
from longsoak.rigfile.build import build
from longsoak.rigfile.buschecks import check_buses
from longsoak.rigfile.curves import check_curves, shipped
from longsoak.rigfile.draft import Draft, read_document
from longsoak.rigfile.drawnwater import check_drawn, check_pan, check_scales
from longsoak.rigfile.geometrychecks import check_geometry
from longsoak.rigfile.guardchecks import check_guards
from longsoak.rigfile.handchecks import check_hand
from longsoak.rigfile.judgingchecks import check_judging
from longsoak.rigfile.limitchecks import check_limits
from longsoak.rigfile.lines import Lines
from longsoak.rigfile.noticechecks import check_notices, check_notices_here
from longsoak.rigfile.outletchecks import (
    check_addresses,
    check_heartbeat,
    check_mqtt,
    check_passwords,
    check_rate,
)
from longsoak.rigfile.outputchecks import check_outputs
from longsoak.rigfile.probechecks import check_probes
from longsoak.rigfile.quantities import check_quantities
from longsoak.rigfile.recordtable import check_record
from longsoak.rigfile.report import Report, Written, field_name
from longsoak.rigfile.scalechecks import check_grade_scales
from longsoak.rigfile.tomlwords import told
from longsoak.rigfile.waterchecks import check_room, check_water
from longsoak.vocabulary.errors import Mistake, RigFileError
from longsoak.vocabulary.rig import Rig

LARGEST = 1_000_000  # bytes: some hundred times a long rig file
_THE_FILE = "the file"


@dataclass(frozen=True, slots=True)
class Source:
    """A rig file's whole text: its own, and the curve files it names behind it.

    `pieces` are those files with the line each begins at.
    """

    text: str
    pieces: tuple[tuple[int, str], ...]

    def placed(self, error: RigFileError) -> RigFileError:
        """Give the same mistakes, those in a curve file told with its own name and line."""
        return RigFileError(tuple(map(self._placed, error.mistakes)))

    def _placed(self, mistake: Mistake) -> Mistake:
        for first, file in reversed(self.pieces):
            if mistake.line >= first:
                return replace(mistake, file=file, line=mistake.line - first + 1)
        return mistake


def read(path: Path) -> Source:
    """Read a rig file and the curve files it names, unchecked.

    What is read under a rig file must be readable from the record alone, years later, so the text
    that is kept holds the curves too.

    Raises
    ------
    RigFileError
        A file can't be read, or a curve file holds anything but curves.
    """
    own = text = text_of(path)
    pieces: list[tuple[int, str]] = []
    for index, name in curve_files(text):
        file = path.parent / name
        try:
            added = text_of(file, what="a curve file")
        except RigFileError as error:
            raise _named_in(own, error, path=path, index=index, name=name) from error
        _check_curve_file(added, file=str(file))
        text = text.rstrip("\n") + f"\n\n# {name}\n"
        pieces.append((text.count("\n") + 1, str(file)))
        text += added
    return Source(text, tuple(pieces))


def curve_files(text: str) -> list[tuple[int, str]]:
    """The curve files a rig file names, each with its place in the list; unchecked."""
    if "curve_files" not in text and "\\" not in text:  # most name none, and are not parsed twice
        return []
    try:
        rig = tomllib.loads(text).get("rig")
    except (ValueError, RecursionError):  # told when the text is checked
        return []
    names = rig.get("curve_files") if isinstance(rig, dict) else None
    # A name with a control character is told when the text is checked.
    return [
        (index, name)
        for index, name in enumerate(names if isinstance(names, list) else ())
        if isinstance(name, str) and name.isprintable()
    ]


def _named_in(text: str, error: RigFileError, *, path: Path, index: int, name: str) -> RigFileError:
    """Say of a curve file that can't be read where it is named; of its own lines, nothing more."""
    (mistake,) = error.mistakes
    if mistake.line:
        return error
    field = ("rig", "curve_files", index)
    return RigFileError(
        (
            Mistake(
                str(path),
                Lines(text).of(field),
                field_name(field),
                name,
                f"{mistake.expected} ({mistake.file} is {mistake.found})",
                mistake.remedy,
            ),
        )
    )


def _check_curve_file(text: str, *, file: str) -> None:
    if others := sorted(set(tables_of(text, file=file)) - {"curves"}):
        raise _one_mistake(
            file,
            line=1,
            found=f"a file with {', '.join(others)} in it",
            expected='a curve file: nothing but tables headed [curves."..."]',
            remedy="Move the rest to the rig file.",
        )


def text_of(path: Path, *, what: str = "a rig file") -> str:
    """The text of a file as it is, unchecked; `what` is how a mistake calls it.

    Raises
    ------
    RigFileError
        The file can't be read, or is not UTF-8.
    """
    try:
        data = _bytes_of(path)
    except OSError as error:
        found, remedy = _unread(path, error)
        raise _one_mistake(
            str(path), line=0, found=found, expected=f"{what} this user may read", remedy=remedy
        ) from error
    if len(data) > LARGEST:
        raise _one_mistake(
            str(path),
            line=0,
            found="more than 1 MB long",
            expected=f"{what}, which is some kilobytes of text",
            remedy="Look whether it is the right file.",
        )
    try:
        # Some editors put a byte order mark first, and some end lines in two bytes.
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise _one_mistake(
            str(path),
            # Where it stands is counted without a byte order mark.
            line=len(re.findall(rb"\r\n?|\n", error.object[: error.start])) + 1,
            found=f"text with the byte 0x{error.object[error.start]:02x}",
            expected="text in UTF-8",
            remedy="Save the file as UTF-8.",
        ) from error


def _bytes_of(path: Path) -> bytes:
    mode = path.stat().st_mode
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode) or stat.S_ISSOCK(mode):
        raise OSError(errno.EINVAL, "it is a device or a socket")
    with path.open("rb") as file:
        return file.read(LARGEST + 1)


def _unread(path: Path, error: OSError) -> tuple[str, str]:
    """What was found instead of a file that can be read, and the way out."""
    match error:
        case FileNotFoundError() | NotADirectoryError():
            return "not there", "Correct its name, or go to the folder it lies in."
        case IsADirectoryError():
            return "a folder", f"Name the file in it, for example {path / 'rig.toml'}."
        case PermissionError():
            return "closed to this user", "Let this user read it, or run this as its owner."
        case OSError(errno=errno.EINVAL):
            return f"no file ({error.strerror})", "Save the text as a file, and name that."
    return f"unreadable ({error.strerror or error})", "Look at the disk it lies on."


def load(path: Path, *, find_kind: Callable[[str], BusKind] | None) -> Rig:
    """Read a rig file and check everything in it.

    Parameters
    ----------
    path : Path
        The TOML file, UTF-8.
    find_kind : callable or None
        Gives the driver of a name, or raises `DriverError` with the reason. None leaves unchecked
        what only matters to a rig that runs, for those who read one: the drivers' own options and
        addresses, whether the water's guards come in time and outlets' addresses lead anywhere.

    Raises
    ------
    RigFileError
        The file can't be read (one mistake, on no line), is no TOML (one mistake) or has
        mistakes: all of them, in file order.
    """
    return check(read(path), file=str(path), find_kind=find_kind)


def check(source: Source, *, file: str, find_kind: Callable[[str], BusKind] | None) -> Rig:
    """Check what `read` gave. See `load`."""
    try:
        return parse(source.text, file=file, find_kind=find_kind)
    except RigFileError as error:
        raise source.placed(error) from error


def parse(text: str, *, file: str, find_kind: Callable[[str], BusKind] | None) -> Rig:
    """Check the text of a rig file. See `load`; `file` is how mistakes name it."""
    try:
        return _parse(text.replace("\r\n", "\n"), file=file, find_kind=find_kind)
    except RecursionError as error:
        raise _too_deep(file) from error


def _parse(text: str, *, file: str, find_kind: Callable[[str], BusKind] | None) -> Rig:
    raw = tables_of(text, file=file)
    report = Report(file, Lines(text))
    draft = read_document(raw, report=report)
    _check(draft, find_kind=find_kind, report=report)
    report.close()
    return build(draft)


def _check(draft: Draft, *, find_kind: Callable[[str], BusKind] | None, report: Report) -> None:
    check_geometry(draft, report=report)
    check_water(draft, report=report)
    check_drawn(draft, report=report)
    check_pan(draft, report=report)
    check_scales(draft, report=report)
    check_room(draft, report=report)
    check_curves(draft, report=report)
    check_buses(draft, find_kind=find_kind, report=report)
    check_probes(draft, curves=[*shipped(), *draft.curves], report=report)
    check_quantities(draft, report=report)
    check_alarms(draft, report=report)
    if find_kind is not None:
        check_guards(draft, report=report)
        check_addresses(draft, report=report)
        check_rate(draft, report=report)
        check_notices_here(draft, report=report)
    check_passwords(draft, report=report)
    check_mqtt(draft, report=report)
    check_heartbeat(draft, report=report)
    check_notices(draft, report=report)
    check_record(draft.record, report=report)
    check_judging(draft, report=report)
    check_limits(draft, report=report)
    check_hand(draft.hand, curves=[*shipped(), *draft.curves], report=report)
    check_grade_scales(draft.scales, report=report)
    check_outputs(draft, find_kind=find_kind, report=report)


def tables_of(text: str, *, file: str) -> dict[str, object]:
    """Parse TOML, and check nothing else; `file` is how mistakes name it.

    Raises
    ------
    RigFileError
        It is no TOML.
    """
    try:
        return tomllib.loads(text)
    except ValueError as error:
        # TOMLDecodeError is one, and so is what a number thousands of digits long raises.
        raise _not_toml(text, error, file=file) from error
    except RecursionError as error:
        raise _too_deep(file) from error


def _too_deep(file: str) -> RigFileError:
    return _one_mistake(
        file,
        line=1,
        found="a list or table within a list or table, hundreds deep",
        expected="the few levels a rig file has",
        remedy="Look for a row of opening brackets.",
    )


def _not_toml(text: str, error: ValueError, *, file: str) -> RigFileError:
    said = told(text, error)
    return RigFileError(
        (Mistake(file, said.line, said.field, Written(said.found), said.expected, said.remedy),)
    )


def _one_mistake(file: str, *, line: int, found: str, expected: str, remedy: str) -> RigFileError:
    return RigFileError((Mistake(file, line, _THE_FILE, Written(found), expected, remedy),))
