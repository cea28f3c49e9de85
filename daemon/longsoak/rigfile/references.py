"""Names that must lead somewhere, and names that must be one thing's own."""

from collections.abc import Collection, Iterable

from longsoak.rigfile.draft import Names
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.report import Report, listed, nearest, quoted


def check_known(
    report: Report,
    path: KeyPath,
    name: str | None,
    *,
    names: Names,
    what: str,
    header: str,
    possible: Collection[str] | None = None,
) -> bool:
    """Note a reference that leads nowhere; say whether it leads to a table of the file.

    Parameters
    ----------
    report : Report
        Takes the mistake.
    path : KeyPath
        Where the reference stands.
    name : str or None
        What it says; None, an absent or faulty one, is nobody's mistake here.
    names : Names
        What there is.
    what : str
        What it should name, as in "a bus".
    header : str
        How a table of it is headed.
    possible : collection of str, optional
        Those of `names` that would do here; all by default.
    """
    if name is None:
        return False
    if name not in names.first and names.complete:
        fitting = names.first if possible is None else possible
        add_unknown(report, path, name, possible=fitting, what=what, header=header)
    return name in names.first


def add_unknown(
    report: Report, path: KeyPath, name: str, *, possible: Collection[str], what: str, header: str
) -> None:
    """Note a name that leads nowhere, with those that would."""
    meant = nearest(name, possible)
    key = path[-1]
    report.add(
        path,
        name,
        expected=f"the name of {what}: {listed([quoted(known) for known in possible])}"
        if possible
        else f"the name of {what}",
        remedy=f"Write {key} = {quoted(meant)}, or add a table headed {header} of that name."
        if meant
        else f"Correct {key}, or add a table headed {header} of that name.",
    )


def check_unique(report: Report, names: Iterable[tuple[KeyPath, str | None]], *, what: str) -> None:
    """Note every name that an earlier one of its sort already has."""
    first: dict[str, KeyPath] = {}
    for path, name in names:
        if name is None:
            continue
        if name in first:
            report.add(
                path,
                name,
                expected=f"a name that no other {what} has "
                f"(line {report.line(first[name])} has it too)",
                remedy="Give one of the two another name.",
            )
        first.setdefault(name, path)
