"""Tables as Parquet files, typed, each column with what it means in its metadata."""

import json
from array import array
from collections.abc import Iterable, Sequence
from typing import BinaryIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from longsoak.report.fields import READINGS, Cell, Column, FieldType, Table
from longsoak.report.package import table_schema
from longsoak.report.rigs import Rigs, bound_of
from longsoak.report.source import Chunk, Seat
from longsoak.vocabulary.flags import Flag, Reason

ROW_GROUP = 131_072  # readings; what is held in memory at once

_TYPES = {
    FieldType.STRING: pa.string(),
    FieldType.OBJECT: pa.string(),
    FieldType.ARRAY: pa.string(),
    FieldType.INTEGER: pa.int64(),
    FieldType.NUMBER: pa.float64(),
    FieldType.BOOLEAN: pa.bool_(),
    FieldType.DATETIME: pa.timestamp("ms", tz="UTC"),
}


def write_table(file: BinaryIO, table: Table, rows: Iterable[Sequence[Cell]]) -> None:
    """Write a table whose rows lie in memory."""
    schema = _schema(table)
    turned = list(zip(*rows, strict=True)) or [()] * len(table.columns)
    columns = [pa.array(cells, kind) for cells, kind in zip(turned, schema.types, strict=True)]
    with _writer(file, schema) as writer:
        writer.write_table(pa.table(columns, schema=schema))


class ReadingsFile:
    """The table of readings, written chunk by chunk. See the one for CSV."""

    def __init__(self, file: BinaryIO, *, seats: Sequence[Seat], rigs: Rigs) -> None:
        self._schema = _schema(READINGS)
        self._writer = _writer(file, self._schema)
        self._waiting: list[pa.Table] = []
        self._probes = pa.array([seat.probe for seat in seats], pa.string())
        self._raw_units = pa.array([seat.unit for seat in seats], pa.string())
        told = [(seat.rig_version, seat.probe) for seat in seats]
        self._units = pa.array([rigs.unit(*seat) for seat in told], pa.string())
        self._versions = pa.array([seat.rig_version for seat in seats], pa.int64())
        # What a value with each reason is a bound of, seat after seat.
        kinds = [rigs.kind(*seat) for seat in told]
        self._bounds = pa.array(
            [bound_of(kind, reason) for kind in kinds for reason in Reason], pa.string()
        )
        self._words = pa.array([reason.words or None for reason in Reason], pa.string())

    def add(self, chunk: Chunk) -> None:
        """Write a chunk's readings.

        Raises
        ------
        ValueError
            A flag or a reason is none there is.
        """
        for flag in set(chunk.flags):
            Flag(flag)
        for reason in set(chunk.reasons):
            Reason(reason)
        seats = _column(
            array("q", [seat.number for scan in chunk.scans for seat in scan.seats]), pa.int64()
        )
        counts = [len(scan.seats) for scan in chunk.scans]
        scan_of = _column(
            array("q", [i for i, count in enumerate(counts) for _ in range(count)]), pa.int64()
        )
        flags, reasons, first_flags, first_reasons = (
            _column(column, pa.uint8()).cast(pa.int64())
            for column in (chunk.flags, chunk.reasons, chunk.first_flags, chunk.first_reasons)
        )
        values = _numbers(chunk.values, pa.float32())
        bounds = pc.if_else(
            values.is_valid(),
            self._bounds.take(pc.add(pc.multiply(seats, len(Reason)), first_reasons)),
            None,
        )
        spreads = _numbers(chunk.uncertainties, pa.float32())
        # A bound has none: the truth may lie any way beyond it.
        spreads = pc.if_else(bounds.is_valid(), None, spreads)
        columns = [
            _of(scan_of, [scan.utc_ms for scan in chunk.scans], _TYPES[FieldType.DATETIME]),
            self._probes.take(seats),
            _numbers(chunk.raw, pa.float64()),
            self._raw_units.take(seats),
            values,
            spreads,
            self._units.take(seats),
            flags,
            self._words.take(reasons),
            first_flags,
            self._words.take(first_reasons),
            bounds,
            self._versions.take(seats),
            _of(scan_of, [scan.known for scan in chunk.scans], pa.string()),
            _of(scan_of, [scan.id for scan in chunk.scans], pa.int64()),
        ]
        self._waiting.append(pa.table(columns, schema=self._schema))
        if sum(table.num_rows for table in self._waiting) >= ROW_GROUP:
            self._write()

    def close(self) -> None:
        """Write what is left, and the file's foot."""
        self._write()
        self._writer.close()

    def _write(self) -> None:
        if self._waiting:
            whole = pa.concat_tables(self._waiting)
            self._writer.write_table(whole, row_group_size=max(1, whole.num_rows))
            self._waiting.clear()


def _writer(file: BinaryIO, schema: pa.Schema) -> pq.ParquetWriter:
    return pq.ParquetWriter(file, schema, compression="zstd")


def _schema(table: Table) -> pa.Schema:
    described = json.dumps(table_schema(table), ensure_ascii=False)
    return pa.schema(
        [_field(column) for column in table.columns],
        metadata={"description": table.says, "table_schema": described},
    )


def _field(column: Column) -> pa.Field:
    kind = pa.float32() if column.narrow else _TYPES[column.type]
    metadata = {"description": column.says}
    if column.unit is not None:
        metadata["unit"] = column.unit
    if column.unit_column is not None:
        metadata["unit_column"] = column.unit_column
    return pa.field(column.name, kind, nullable=not column.needed, metadata=metadata)


def _column(values: "array[int] | array[float]", kind: pa.DataType) -> pa.Array:
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)])


def _numbers(values: "array[float]", kind: pa.DataType) -> pa.Array:
    """Numbers bit for bit; NaN is empty."""
    column = _column(values, kind)
    return pc.if_else(pc.is_nan(column), None, column)


def _of(scan_of: pa.Array, values: Sequence[int | str], kind: pa.DataType) -> pa.Array:
    """What readings have of the scans they came in."""
    return pa.array(values, kind).take(scan_of)
