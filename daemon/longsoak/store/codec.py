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
from operator import add, mul, sub

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
_NAN = {4: 0x7FC00000, 8: 0x7FF8000000000000}  # the one NaN that is marked apart, by its bits


def pack_whole(numbers: Sequence[int]) -> bytes:
    """Whole numbers, each within 64 bits with its sign."""
    return _pack(numbers, kind=WHOLE, power=0, marks=b"")


def unpack_whole(data: bytes) -> list[int]:
    """What `pack_whole` was given."""
    return _numbers(data)[3]


def pack_floats(values: Sequence[float], *, size: int) -> bytes:
    """Floats of `size` bytes: 8, or 4 whose values are float32 exactly."""
    code = "d" if size == 8 else "f"
    original = array(code, values).tobytes()
    bits = array(TYPES[size], original).tolist()
    nan = _NAN[size]
    marks = b""
    if nan in bits:
        marks = zlib.compress(bytes(bit == nan for bit in bits), _LEVEL)
        bits, values = _smoothed(bits, nan, values)
    if size == 8 and (found := _decimals(values)) is not None:
        numbers, power = found
        packed = _pack(numbers, kind=DECIMAL, power=power, marks=marks)
        if array(code, unpack_floats(packed, size=size)).tobytes() == original:
            return packed  # else there was a negative zero
    if size == 8:  # bits of a float64 may not fit a signed number
        bits = [bit - 2**63 for bit in bits]
    return _pack(bits, kind=BITS, power=0, marks=marks)


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


def _pack(numbers: Sequence[int], *, kind: int, power: int, marks: bytes) -> bytes:
    if not numbers:
        return HEAD.pack(kind, VALUES, 1, power, len(marks), 0, 0, 1) + marks
    how, first, stored = VALUES, numbers[0], numbers
    steps = list(map(sub, numbers[1:], numbers))
    middle = sum(numbers) // len(numbers)
    smaller = sum(map(abs, steps)) < sum(map(abs, map(sub, numbers, repeat(middle))))
    if smaller and max(map(abs, steps), default=0) < 2**63:  # a step has a bit more than its ends
        how, stored = STEPS, steps
    lowest = min(stored) if stored else 0
    if lowest:
        stored = list(map(sub, stored, repeat(lowest)))
    shared = math.gcd(*stored) or 1
    if shared > 1:
        stored = [number // shared for number in stored]
    most = max(stored, default=0)
    width = next(w for w in TYPES if most < 1 << 8 * w)
    laid = array(TYPES[width], stored).tobytes()
    planes = b"".join(laid[i::width] for i in range(width)) if width > 1 else laid
    head = HEAD.pack(kind, how, width, power, len(marks), lowest, first, shared)
    return head + marks + zlib.compress(planes, _LEVEL)


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


def _smoothed(
    bits: list[int], nan: int, values: Sequence[float]
) -> tuple[list[int], Sequence[float]]:
    """Both columns with the number before it, or the first there is, in place of each NaN."""
    start = next((i for i, bit in enumerate(bits) if bit != nan), None)
    if start is None:
        return [0] * len(bits), [0.0] * len(bits)
    last_bits, last = bits[start], values[start]
    smooth_bits, smooth = [], []
    for bit, value in zip(bits, values, strict=True):
        if bit != nan:
            last_bits, last = bit, value
        smooth_bits.append(last_bits)
        smooth.append(last)
    return smooth_bits, smooth


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
            numbers = [round(value * scale) for value in values]
            exact = [number / scale for number in numbers]
        else:
            numbers = [round(value / scale) for value in values]
            exact = [number * scale for number in numbers]
    except (OverflowError, ValueError):  # infinities, and NaN of other bits
        return None
    if exact != list(values) or max(map(abs, numbers), default=0) > MOST_DIGITS:
        return None
    return numbers
