"""Tables as CSV files: RFC 4180, but for lines that end in a line feed alone; UTF-8."""

from collections.abc import Iterable, Sequence
from typing import BinaryIO

from longsoak.core.wording import rfc3339
from longsoak.report.cells import cell, narrow_numbers, text_cell, wide_number
from longsoak.report.fields import READINGS, Cell, Table
from longsoak.report.rigs import Rigs, bound_of
from longsoak.report.source import Chunk, Seat
from longsoak.vocabulary.flags import Flag, Reason


def write_table(file: BinaryIO, table: Table, rows: Iterable[Sequence[Cell]]) -> None:
    """Write a table whose rows lie in memory."""
    kinds = [column.type for column in table.columns]
    file.write(_head(table))
    for row in rows:
        line = ",".join(cell(kind, value) for kind, value in zip(kinds, row, strict=True))
        file.write(f"{line}\n".encode())


class ReadingsFile:
    """The table of readings, written chunk by chunk.

    Parameters
    ----------
    file : BinaryIO
        Where to; the caller closes it.
    seats : sequence of Seat
        All there are, by their numbers.
    rigs : Rigs
        What the rig files say of the probes.
    """

    def __init__(self, file: BinaryIO, *, seats: Sequence[Seat], rigs: Rigs) -> None:
        self._file = file
        self._seats = [_Texts(seat, rigs) for seat in seats]
        file.write(_head(READINGS))

    def add(self, chunk: Chunk) -> None:
        """Write a chunk's readings.

        Raises
        ------
        ValueError
            A flag or a reason is none there is.
        """
        heads: list[str] = []
        ends: list[str] = []
        texts: list[_Texts] = []
        for scan in chunk.scans:
            count = len(scan.seats)
            heads += [rfc3339(scan.utc_ms)] * count
            ends += [f"{scan.known},{scan.id}\n"] * count
            texts += [self._seats[seat.number] for seat in scan.seats]
        lines = []
        for head, end, text, raw, value, spread, *given in zip(
            heads,
            ends,
            texts,
            map(wide_number, chunk.raw),
            narrow_numbers(chunk.values),
            narrow_numbers(chunk.uncertainties),
            chunk.flags,
            chunk.reasons,
            chunk.first_flags,
            chunk.first_reasons,
            strict=True,
        ):
            judged, bounded = text.judged(*given)
            if bounded and value:
                spread = ""  # a bound has none: the truth may lie any way beyond it
            elif bounded:
                judged, _ = text.judged(*given, valued=False)
            lines.append(
                f"{head}{text.probe}{raw}{text.raw_unit}{value},{spread}{text.unit}{judged}{end}"
            )
        self._file.write("".join(lines).encode())

    def close(self) -> None:
        """Write what is left to write, which in a CSV file is nothing."""


class _Texts:
    """What the lines of one seat have in common."""

    def __init__(self, seat: Seat, rigs: Rigs) -> None:
        version, name = seat.rig_version, seat.probe
        self.probe = f",{text_cell(name)},"
        self.raw_unit = f",{text_cell(seat.unit)},"
        self.unit = f",{text_cell(rigs.unit(version, name) or '')},"
        self._version = version
        self._kind = rigs.kind(version, name)
        self._judged: dict[tuple[int, int, int, int, bool], tuple[str, bool]] = {}

    def judged(
        self, flag: int, reason: int, first_flag: int, first_reason: int, *, valued: bool = True
    ) -> tuple[str, bool]:
        """The columns from the flag to the rig version, and whether the value is a bound."""
        key = (flag, reason, first_flag, first_reason, valued)
        found = self._judged.get(key)
        if found is None:
            why = Reason(first_reason)
            bound = bound_of(self._kind, why) if valued else None
            shown = f"{int(Flag(flag))},{text_cell(Reason(reason).words)}"
            first = f"{int(Flag(first_flag))},{text_cell(why.words)}"
            text = f"{shown},{first},{bound or ''},{self._version},"
            found = self._judged[key] = (text, bound is not None)
        return found


def _head(table: Table) -> bytes:
    return (",".join(column.name for column in table.columns) + "\n").encode()
