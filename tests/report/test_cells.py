"""Cells of a CSV file read back as what was kept."""

import csv
import io
import random
import struct
from array import array
from math import isnan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.report.cells import narrow_numbers, text_cell, wide_number
from report.exportrig import bits

# OWASP, "CSV Injection": cells that begin with one of these are run. From memory.
DANGEROUS = "=+-@\t\r"
# The same signs, full width, which some spreadsheets take for them. From memory.
WIDE = "\uff1d\uff0b\uff0d\uff20"


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_a_number_of_64_bits_reads_back_bit_for_bit(value: float) -> None:
    written = wide_number(value)
    assert bits(float(written or "nan")) == bits(value)


@given(st.lists(st.floats(width=32, allow_nan=True), max_size=40))
def test_numbers_of_32_bits_read_back_and_have_no_digit_too_many(values: list[float]) -> None:
    written = narrow_numbers(array("f", values))
    assert len(written) == len(values)
    for value, text in zip(values, written, strict=True):
        assert isnan(value) == (text == "")
        if text and not text.endswith("INF"):
            assert struct.pack("<f", float(text)) == struct.pack("<f", value)
            # numpy finds the shortest on a way of its own.
            shortest = np.format_float_scientific(np.float32(value), unique=True, trim="-")
            assert _digits(text) == _digits(shortest)


def test_any_number_of_32_bits_reads_back_from_its_text() -> None:
    patterns = random.Random(5).randbytes(4 * 20_000)  # noqa: S311 - the same each time
    values = array("f", patterns)
    for value, text in zip(values, narrow_numbers(values), strict=True):
        assert isnan(value) == (text == "")
        assert isnan(value) or struct.pack("<f", float(text)) == struct.pack("<f", value)


def _digits(text: str) -> int:
    mantissa = text.lower().partition("e")[0]
    return len(mantissa.replace("-", "").replace(".", "").strip("0"))


def test_numbers_without_end_are_written_as_the_table_schema_has_them() -> None:
    # Frictionless Table Schema v1, "number": the strings NaN, INF and -INF. From memory.
    infinite = [float("inf"), float("-inf")]
    assert [*map(wide_number, infinite)] == narrow_numbers(array("f", infinite)) == ["INF", "-INF"]


@given(st.text())
def test_any_text_reads_back_once_its_apostrophe_is_taken_off(text: str) -> None:
    line = text_cell(text) + ",next\n"
    ((read, following),) = csv.reader(io.StringIO(line, newline=""))
    assert following == "next"
    assert read.removeprefix("'") == text
    assert read == "" or read[0] not in DANGEROUS + WIDE


@pytest.mark.parametrize("sign", DANGEROUS + WIDE + "'")
def test_a_text_like_a_formula_is_marked_as_text(sign: str) -> None:
    assert text_cell(f"{sign}1").strip('"').startswith(f"'{sign}")


def test_a_plain_text_stays_as_it_is() -> None:
    assert text_cell("C 30/60, a = b") == '"C 30/60, a = b"'
    assert text_cell("C 30/60") == "C 30/60"
