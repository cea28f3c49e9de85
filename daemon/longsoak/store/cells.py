"""What is added up of one probe and one hour or day, and how many of these lie in a row. Pure."""

import struct
import zlib
from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import nan
from typing import TypeAlias, cast

from longsoak.store.buckets import BY_BADNESS, Bucket, Sums

_ONE = struct.Struct("<fffdIIIIB")  # lowest, highest, uncertainty, total; counts; worst flag
_TYPES = "qfffdIIIIB"  # of a page's columns, the first of which says which hour or day
_COUNT = struct.Struct("<I")

Column: TypeAlias = "array[int] | array[float]"


class Cells:
    """Many hours, or days, of one probe as parallel columns in the order of time.

    `index` counts hours or days since 1970 UTC, and may name one twice; the rest is as in `Sums`.
    """

    __slots__ = (
        "count",
        "drier",
        "high",
        "index",
        "low",
        "total",
        "uncertainty",
        "values",
        "wetter",
        "worst",
    )

    def __init__(self, columns: "Sequence[Column] | None" = None) -> None:
        filled = columns or [array(code) for code in _TYPES]
        self.index, *counts = (cast("array[int]", filled[i]) for i in (0, 5, 6, 7, 8, 9))
        self.values, self.count, self.wetter, self.drier, self.worst = counts
        floats = (cast("array[float]", filled[i]) for i in (1, 2, 3, 4))
        self.low, self.high, self.uncertainty, self.total = floats

    def columns(self) -> "tuple[Column, ...]":
        """All columns, `index` first."""
        return (
            self.index,
            self.low,
            self.high,
            self.uncertainty,
            self.total,
            self.values,
            self.count,
            self.wetter,
            self.drier,
            self.worst,
        )

    def append(self, index: int, one: Sequence[float]) -> None:
        """Add what was added up of one hour or day."""
        self.append_all([(index, *one)])

    def append_all(self, rows: Sequence[Sequence[float]]) -> None:
        """Add some hours or days, each its index and then what was added up of it."""
        for column, values in zip(self.columns(), zip(*rows, strict=True), strict=False):
            column.extend(values)  # each as its column holds it

    def extend(self, other: "Cells") -> None:
        """Add all of `other`, which is later."""
        for column, more in zip(self.columns(), other.columns(), strict=True):
            column.extend(more)  # type: ignore[arg-type]  # of the same kind

    def cut(self, first: int, last: int) -> "Cells":
        """Those from `first` to `last`."""
        low, high = bisect_left(self.index, first), bisect_left(self.index, last + 1)
        if (low, high) == (0, len(self.index)):
            return self
        return Cells([column[low:high] for column in self.columns()])

    def in_order(self) -> "Cells":
        """The same in the order of time, whatever order it was put together in."""
        index = self.index.tolist()
        if index == sorted(index):
            return self
        order = sorted(range(len(self.index)), key=self.index.__getitem__)
        return Cells(
            [array(column.typecode, [column[i] for i in order]) for column in self.columns()]
        )

    def counted(self, size: int) -> "Cells":
        """The same hours, each under what it is part of, `size` hours long."""
        index = array("q", [hour // size for hour in self.index])
        return Cells([index, *self.columns()[1:]])

    def sums(self, low: int, high: int) -> Sums:
        """What the cells from place `low` to below `high` come to together."""
        return Sums(
            min(self.low[low:high]),
            max(self.high[low:high]),
            max(self.uncertainty[low:high]),
            list(self.total[low:high]),
            sum(self.values[low:high]),
            sum(self.count[low:high]),
            sum(self.wetter[low:high]),
            sum(self.drier[low:high]),
            max(self.worst[low:high]),
        )

    def grouped(self, base: int, width: int) -> Iterator[tuple[int, Sums]]:
        """Sums over groups of `width` hours or days counted from `base`; empty groups left out."""
        place, end = 0, len(self.index)
        while place < end:
            group = (self.index[place] - base) // width
            following = bisect_left(self.index, base + (group + 1) * width, lo=place + 1)
            yield group, self.sums(place, following)
            place = following

    def buckets(
        self, base: int, width: int, *, base_ms: int, width_ms: int, apart: Mapping[int, Sums]
    ) -> list[Bucket]:
        """The same as buckets, with what was added up `apart` of some of the groups.

        Column by column: a drawing of 1,000 pixels makes 1,000 of them a probe.
        """
        index = self.index.tolist()
        low, high, spread, total = (column.tolist() for column in self.columns()[1:5])
        values, worst = self.values.tolist(), self.worst.tolist()
        groups: list[int] = []
        edges: list[slice] = []
        place, end = 0, len(index)
        while place < end:
            group = (index[place] - base) // width
            following = bisect_left(index, base + (group + 1) * width, place + 1)
            groups.append(group)
            edges.append(slice(place, following))
            place = following
        numbers = [sum(values[edge]) for edge in edges]
        counts = numbers
        if self.count != self.values:
            count = self.count.tolist()
            counts = [sum(count[edge]) for edge in edges]
        widest = [max(spread[edge]) for edge in edges]
        sums = [sum(total[edge]) for edge in edges]
        worsts = [max(worst[edge]) for edge in edges] if any(worst) else [0] * len(edges)
        found = list(
            map(
                Bucket,
                [base_ms + group * width_ms for group in groups],
                [min(low[edge]) for edge in edges],
                [max(high[edge]) for edge in edges],
                [whole / n if n else nan for whole, n in zip(sums, numbers, strict=True)],
                [None if most < 0 else most for most in widest],
                counts,
                map(BY_BADNESS.__getitem__, worsts),
            )
        )
        bounded = any(self.wetter) or any(self.drier)
        rest = dict(apart)
        for i, group in enumerate(groups):
            if bounded or group in rest or not numbers[i]:
                one = self.sums(edges[i].start, edges[i].stop)
                if (other := rest.pop(group, None)) is not None:
                    one.merge(other)
                found[i] = one.bucket(base_ms + group * width_ms)
        found += [one.bucket(base_ms + group * width_ms) for group, one in rest.items()]
        return sorted(found, key=lambda bucket: bucket.utc_ms) if rest else found


def as_numbers(sums: Sums) -> tuple[float, ...]:
    """What is kept of sums, in the order of a cell."""
    return (
        sums.low,
        sums.high,
        sums.uncertainty,
        sums.total,
        sums.values,
        sums.count,
        sums.wetter,
        sums.drier,
        sums.worst,
    )


def pack_cells(cells: Cells) -> bytes:
    """A page: columns on end, compressed."""
    laid = b"".join(column.tobytes() for column in cells.columns())
    return _COUNT.pack(len(cells.index)) + zlib.compress(laid)


def unpack_cells(pages: Iterable[bytes]) -> Cells:
    """What `pack_cells` was given, of some pages as one."""
    laid = []
    for data in pages:
        (n,) = _COUNT.unpack_from(data)
        laid.append((n, zlib.decompress(memoryview(data)[_COUNT.size :])))
    columns, at = [], 0  # bytes of a cell before the column
    for code in _TYPES:
        column: array[float] = array(code)
        size = column.itemsize
        column.frombytes(b"".join(part[at * n : (at + size) * n] for n, part in laid))
        at += size
        columns.append(column)
    return Cells(columns)


def pack_row(cells: Iterable[tuple[int, Sums]]) -> bytes:
    """One hour of many probes, by their numbers."""
    rows = sorted(cells, key=lambda cell: cell[0])
    numbers = array("I", [number for number, _ in rows])
    packed = b"".join(_ONE.pack(*as_numbers(sums)) for _, sums in rows)
    return _COUNT.pack(len(rows)) + numbers.tobytes() + packed


class Row:
    """One hour of many probes, looked into without decoding them all."""

    def __init__(self, data: bytes) -> None:
        (n,) = _COUNT.unpack_from(data)
        self._data = data
        self._start = _COUNT.size + 4 * n
        self.numbers = data[_COUNT.size : self._start]  # the probes, an array of 4 bytes each

    def probes(self) -> list[int]:
        """The numbers of the probes in it."""
        return array("I", self.numbers).tolist()

    def at(self, place: int) -> tuple[float, ...]:
        """What is kept of the probe at a place."""
        return _ONE.unpack_from(self._data, self._start + place * _ONE.size)

    def sums(self) -> dict[int, Sums]:
        """All of it."""
        found = {}
        for place, number in enumerate(self.probes()):
            low, high, spread, total, *counts = self.at(place)
            found[number] = Sums(low, high, spread, [total], *map(int, counts))
        return found
