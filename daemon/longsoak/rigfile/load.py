"""Loads a rig file: every mistake in it at once, or the rig."""

import re
import tomllib
from collections.abc import Callable
from pathlib import Path

from longsoak.driver import BusKind
from longsoak.rigfile.alarmchecks import check_alarms
from longsoak.rigfile.build import build
from longsoak.rigfile.buschecks import check_buses
from longsoak.rigfile.curves import check_curves, shipped
from longsoak.rigfile.draft import Draft, read_document
from longsoak.rigfile.geometrychecks import check_geometry
from longsoak.rigfile.lines import locate
from longsoak.rigfile.probechecks import check_probes
from longsoak.rigfile.report import Report, Written
from longsoak.rigfile.waterchecks import check_water
from longsoak.vocabulary.errors import Mistake, RigFileError
from longsoak.vocabulary.rig import Rig

_POSITION = re.compile(r" \((?:at line (\d+), column \d+|at end of document)\)$")
_THE_FILE = "the file"


def load(path: Path, *, find_kind: Callable[[str], BusKind] | None) -> Rig:
    """Read a rig file and check everything in it.

    Parameters
    ----------
    path : Path
        The TOML file, UTF-8.
    find_kind : callable or None
        Gives the driver of a name, or raises `DriverError` with the reason. None leaves the
        drivers' own options and addresses unchecked, for those who only read a rig.

    Raises
    ------
    RigFileError
        The file can't be read (one mistake, line 0), is no TOML (one mistake) or has mistakes:
        all of them, in file order.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _one_mistake(
            str(path),
            line=0,
            found=f"unreadable ({error.strerror or error})",
            expected="a rig file this user may read",
            remedy="Correct the path, or the file's permissions.",
        ) from error
    try:
        text = data.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as error:
        raise _one_mistake(
            str(path),
            line=data.count(b"\n", 0, error.start) + 1,
            found=f"text with the byte 0x{data[error.start]:02x}",
            expected="text in UTF-8",
            remedy="Save the file as UTF-8.",
        ) from error
    return parse(text, file=str(path), find_kind=find_kind)


def parse(text: str, *, file: str, find_kind: Callable[[str], BusKind] | None) -> Rig:
    """Check the text of a rig file. See `load`; `file` is how mistakes name it."""
    try:
        return _parse(text.replace("\r\n", "\n"), file=file, find_kind=find_kind)
    except RecursionError as error:
        raise _one_mistake(
            file,
            line=1,
            found="a list or table within a list or table, hundreds deep",
            expected="the few levels a rig file has",
            remedy="Look for a row of opening brackets.",
        ) from error


def _parse(text: str, *, file: str, find_kind: Callable[[str], BusKind] | None) -> Rig:
    try:
        raw: dict[str, object] = tomllib.loads(text)
    except (
        ValueError
    ) as error:  # TOMLDecodeError is one, and so is a number thousands of digits long
        raise _not_toml(text, error, file=file) from error
    report = Report(file, locate(text))
    draft = read_document(raw, report=report)
    _check(draft, find_kind=find_kind, report=report)
    report.close()
    return build(draft)


def _check(draft: Draft, *, find_kind: Callable[[str], BusKind] | None, report: Report) -> None:
    check_geometry(draft, report=report)
    check_water(draft, report=report)
    check_curves(draft, report=report)
    check_buses(draft, find_kind=find_kind, report=report)
    check_probes(draft, curves=[*shipped(), *draft.curves], report=report)
    check_alarms(draft, report=report)
    for part in (draft.mail, draft.mqtt):
        if part is not None and "password_file" in part.keys and "user" not in part.keys:
            report.add(
                (*part.path, "password_file"),
                part.table.password_file,
                expected="no password without a user it belongs to",
                remedy="Add user, or remove password_file.",
            )


def _not_toml(text: str, error: ValueError, *, file: str) -> RigFileError:
    said = str(error)
    match = _POSITION.search(said)
    line = int(match[1]) if match and match[1] else text.count("\n") + 1 if match else 1
    reason = said[: match.start()] if match else said
    return _one_mistake(
        file,
        line=line,
        found=f"not TOML ({reason[:1].lower()}{reason[1:]})",
        expected="key = value, a [header] or a # comment on each line",
        remedy="Mend the line; the rest of the file is looked at then.",
    )


def _one_mistake(file: str, *, line: int, found: str, expected: str, remedy: str) -> RigFileError:
    return RigFileError((Mistake(file, line, _THE_FILE, Written(found), expected, remedy),))
