"""Columns of numbers as few bytes, and back bit for bit. Pure; the standard library only.

Whole numbers: each less the smallest of them, or the steps from one to the next less the smallest
step, whichever are smaller; divided by what they all share; the first bytes of all, then the second
ones, and so on; then DEFLATE (RFC 1951, in zlib's wrapping, RFC 1950).

Floats that are decimals of few digits, as instruments give them, are stored as the whole numbers
they are at a power of ten; others by their bits. NaN, which stands for "none", is marked apart and
takes the value before it, so that it does not tear a smooth column.

Everything is little-endian. `longsoak.store.arrays` reads the same bytes into numpy arrays.
"""

import math
import struct
import zlib
from array import array
from collections.abc import Sequence
from itertools import accumulate, repeat
from operator import add, floordiv, mul, sub, truediv

# One column: its kind, whether steps or values are stored, bytes a number, power of ten, bytes of
# the NaN marks that follow; smallest value, first value, what all share.
HEAD = struct.Struct("<BBBbIqqQ")
WHOLE, DECIMAL, BITS = 0, 1, 2
VALUES, STEPS = 0, 1
TYPES = {1: "B", 2: "H", 4: "I", 8: "Q"}
MOST_DIGITS = 2**53  # whole numbers up to it are exact floats
POWERS = range(-9, 13)  # of ten
_LEVEL = 6  # of DEFLATE
_SAMPLE = 24  # values that a power of ten is first tried on
_STEPS = 180  # steps that tell how all of them are
_NAN = {4: 0x7FC00000, 8: 0x7FF8000000000000}  # the one NaN that is marked apart, by its bits


def pack_whole(numbers: Sequence[int]) -> bytes:
    """Whole numbers, each within 64 bits with its sign."""
    return _pack(numbers, kind=WHOLE, power=0, marks=b"")


def unpack_whole(data: bytes) -> list[int]:
    """What `pack_whole` was given."""
    return _numbers(data)[3]


def pack_floats(values: Sequence[float], *, size: int) -> bytes:
    """Floats of `size` bytes: 8, or 4 whose values are float32 exactly."""
    nan, marks = _NAN[size], b""
    if math.isnan(sum(values)):  # or it holds both infinities, which costs only time
        bits = _bits(values, size)
        if nan in bits:
            marks = zlib.compress(bytes(bit == nan for bit in bits), _LEVEL)
            values = _smoothed(bits, nan, values)
    if size == 8 and (found := _decimals(values)) is not None:
        numbers, power = found
        return _pack(numbers, kind=DECIMAL, power=power, marks=marks)
    bits = _bits(values, size)
    if size == 8:  # bits of a float64 may not fit a signed number
        bits = [bit - 2**63 for bit in bits]
    return _pack(bits, kind=BITS, power=0, marks=marks)


def _bits(values: Sequence[float], size: int) -> list[int]:
    return array(TYPES[size], array("d" if size == 8 else "f", values).tobytes()).tolist()


def unpack_floats(data: bytes, *, size: int) -> list[float]:
    """What `pack_floats` was given."""
    kind, power, marks, numbers = _numbers(data)
    if kind == DECIMAL:
        scale = 10.0 ** abs(power)
        values = [n / scale for n in numbers] if power >= 0 else [n * scale for n in numbers]
    else:
        if size == 8:
            numbers = [n + 2**63 for n in numbers]
        values = array("d" if size == 8 else "f", array(TYPES[size], numbers).tobytes()).tolist()
    if marks:
        nan = math.nan
        values = [nan if mark else value for mark, value in zip(marks, values, strict=True)]
    return values


def float_at(data: bytes, place: int, *, size: int) -> float:
    """The one at `place` of what `pack_floats` was given, without making numbers of the others.

    Raises
    ------
    IndexError
        There are not so many.
    """
    kind, power, nan, number = _number_at(data, place)
    if nan:
        return math.nan
    if kind == DECIMAL:
        scale = 10.0 ** abs(power)
        return number / scale if power >= 0 else number * scale
    if size == 8:
        number += 2**63
    (found,) = array("d" if size == 8 else "f", array(TYPES[size], [number]).tobytes())
    return float(found)


def _pack(numbers: Sequence[int], *, kind: int, power: int, marks: bytes) -> bytes:
    if not numbers:
        return HEAD.pack(kind, VALUES, 1, power, len(marks), 0, 0, 1) + marks
    how, first, stored = VALUES, numbers[0], numbers
    lowest, highest = min(numbers), max(numbers)
    if _vary_less_by_steps(numbers):
        steps = list(map(sub, numbers[1:], numbers))
        least, most = min(steps), max(steps)
        if least > -(2**63) and most < 2**63:  # a step has a bit more than its ends
            how, stored, lowest, highest = STEPS, steps, least, most
    if lowest:
        stored = list(map(sub, stored, repeat(lowest)))
    shared = math.gcd(*stored[:_SAMPLE])  # what all share, these do
    if shared != 1:
        shared = math.gcd(shared, *stored) or 1
    if shared > 1:
        stored = list(map(floordiv, stored, repeat(shared)))
    spread = (highest - lowest) // shared
    width = next(w for w in TYPES if spread < 1 << 8 * w)
    laid = array(TYPES[width], stored).tobytes()
    planes = b"".join(laid[i::width] for i in range(width)) if width > 1 else laid
    head = HEAD.pack(kind, how, width, power, len(marks), lowest, first, shared)
    return head + marks + zlib.compress(planes, _LEVEL)


def _vary_less_by_steps(numbers: Sequence[int]) -> bool:
    """Whether it is less far from a number to the next than to their middle; told by some of them.

    Whichever is stored, it reads back the same.
    """
    each = len(numbers) // _STEPS or 1
    middle = sum(numbers) // len(numbers)
    some = numbers[: len(numbers) - 1 : each]
    by_steps: int = sum(map(abs, map(sub, numbers[1::each], some)))
    by_values: int = sum(map(abs, map(sub, some, repeat(middle))))
    return by_steps < by_values


def _numbers(data: bytes) -> tuple[int, int, bytes, list[int]]:
    kind, how, width, power, length, lowest, first, shared = HEAD.unpack_from(data)
    body = HEAD.size + length
    marks = zlib.decompress(data[HEAD.size : body]) if length else b""
    if body == len(data):
        return kind, power, marks, []
    planes = zlib.decompress(data[body:])
    laid = bytearray(len(planes))
    n = len(planes) // width
    for i in range(width):
        laid[i::width] = planes[i * n : (i + 1) * n]
    stored = array(TYPES[width], bytes(laid)).tolist()
    if shared > 1:
        stored = list(map(mul, stored, repeat(shared)))
    if how == STEPS:
        # What the smallest step adds up to is a straight line.
        run = accumulate(stored, initial=0)
        line = range(first, first + lowest * (n + 1), lowest) if lowest else repeat(first, n + 1)
        return kind, power, marks, list(map(add, run, line))
    return kind, power, marks, list(map(add, stored, repeat(lowest))) if lowest else stored


def _number_at(data: bytes, place: int) -> tuple[int, int, bool, int]:
    kind, how, width, power, length, lowest, first, shared = HEAD.unpack_from(data)
    body = HEAD.size + length
    nan = bool(length) and zlib.decompress(data[HEAD.size : body])[place] != 0
    planes = zlib.decompress(data[body:])
    n = len(planes) // width
    if not 0 <= place < n + (how == STEPS):
        raise IndexError(f"there is no number {place} among {n}")
    if how == STEPS:  # the steps up to it, added up a byte at a time, as they lie
        run = sum(sum(planes[i * n : i * n + place]) << 8 * i for i in range(width))
        return kind, power, nan, first + lowest * place + shared * run
    return kind, power, nan, lowest + shared * int.from_bytes(planes[place::n], "little")


def _smoothed(bits: Sequence[int], nan: int, values: Sequence[float]) -> Sequence[float]:
    """The values with the one before it, or the first there is, in place of each NaN."""
    last = next((value for bit, value in zip(bits, values, strict=True) if bit != nan), 0.0)
    smooth = []
    for bit, value in zip(bits, values, strict=True):
        if bit != nan:
            last = value
        smooth.append(last)
    return smooth


def _decimals(values: Sequence[float]) -> tuple[list[int], int] | None:
    """The values as whole numbers at the least power of ten that keeps them all, if one does."""
    for power in POWERS:
        scale = 10.0 ** abs(power)
        if _exact(values[:: max(1, len(values) // _SAMPLE)], power, scale) is None:
            continue
        if (numbers := _exact(values, power, scale)) is not None:
            return numbers, power
    return None


def _exact(values: Sequence[float], power: int, scale: float) -> list[int] | None:
    try:
        if power >= 0:
            numbers = list(map(round, map(mul, values, repeat(scale))))
            exact = list(map(truediv, numbers, repeat(scale)))
        else:
            numbers = list(map(round, map(truediv, values, repeat(scale))))
            exact = list(map(mul, numbers, repeat(scale)))
    except (OverflowError, ValueError):  # infinities, and NaN of other bits
        return None
    if exact != list(values) or max(map(abs, numbers), default=0) > MOST_DIGITS:
        return None
    if 0 in numbers and any(value == 0.0 and math.copysign(1.0, value) < 0.0 for value in values):
        return None  # a negative zero is equal to the other, and is not the same
    return numbers
