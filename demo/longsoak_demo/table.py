"""What `longsoak now` said, as a table, and whether every probe has a good reading."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

_WORDS = {"%": "%", "Cel": "°C", "Ohm": "Ω", "mm": "mm", "1": ""}  # UCUM to what people write


@dataclass(frozen=True, slots=True)
class Row:
    """The latest reading of one probe; `value` is None where there is none."""

    probe: str
    value: float | None
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
                None if probe["value"] is None else float(probe["value"]),
                str(probe["unit"]),
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
        elif row.flag != "pass" or row.value is None:
            bad.append(f"{name} ({row.flag}{', ' + row.reason if row.reason else ''})")
    return bad


def as_table(rows: Sequence[Row]) -> str:
    """The rows as text in columns: probe, value, unit, flag, reason."""
    head = Row("probe", None, "unit", "flag", "")
    cells = [(head.probe, "value", head.unit, head.flag, "")]
    cells += [(r.probe, _value(r), _WORDS.get(r.unit, r.unit), r.flag, r.reason) for r in rows]
    wide = [max(len(row[i]) for row in cells) for i in range(4)]
    lines = [
        f"{a:<{wide[0]}}  {b:>{wide[1]}} {c:<{wide[2]}}  {d:<{wide[3]}}  {e}".rstrip()
        for a, b, c, d, e in cells
    ]
    return "\n".join(lines)


def _value(row: Row) -> str:
    if row.value is None:
        return "none"
    return f"{row.value:.4g}" if abs(row.value) >= 1e5 else f"{row.value:.1f}"
