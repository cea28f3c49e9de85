"""What `longsoak now` said, as a table, and whether every probe has a good reading."""

import json
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """The latest reading of one probe, in the words of `longsoak now`; `known` is whether any."""

    probe: str
    known: bool
    value: str
    unit: str
    flag: str
    reason: str


def read_now(text: str) -> list[Row]:
    """Read what ``longsoak now --json`` printed.

    Raises
    ------
    ValueError
        It isn't that.
    """
    try:
        probes = json.loads(text)["probes"]
        return [
            Row(
                str(probe["probe"]),
                probe["value"] is not None,
                str(probe["value_words"]),
                str(probe["unit_words"]),
                str(probe["flag"]),
                str(probe.get("reason") or ""),
            )
            for probe in probes
        ]
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"not a list of probes ({error!r}): {text[:200]!r}") from error


def bad_probes(rows: Sequence[Row], configured: Sequence[str]) -> list[str]:
    """Configured probes without a reading flagged pass, each with what is wrong."""
    by_name = {row.probe: row for row in rows}
    bad = []
    for name in configured:
        row = by_name.get(name)
        if row is None:
            bad.append(f"{name} (no reading)")
        elif row.flag != "pass" or not row.known:
            bad.append(f"{name} ({row.flag}{', ' + row.reason if row.reason else ''})")
    return bad


def as_table(rows: Sequence[Row]) -> str:
    """The rows as text in columns: probe, value, unit, flag, reason."""
    cells = [("probe", "value", "unit", "flag", "")]
    cells += [(r.probe, *_beside(r.value, r.unit), r.flag, r.reason) for r in rows]
    wide = [max(len(row[i]) for row in cells) for i in range(4)]
    lines = [
        f"{a:<{wide[0]}}  {b:>{wide[1]}} {c:<{wide[2]}}  {d:<{wide[3]}}  {e}".rstrip()
        for a, b, c, d, e in cells
    ]
    return "\n".join(lines)


def _beside(value: str, unit: str) -> tuple[str, str]:
    """Value and unit, a prefix at the unit: "10.02 M" and "Ω" are 10.02 MΩ."""
    number, _, prefix = value.partition(" ")
    return (number, f"{prefix}{unit}") if prefix.isalpha() else (value, unit)
