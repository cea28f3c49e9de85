"""The samples a curve is fitted to: what is read, and what is said of a file that can't be."""

import os
from pathlib import Path

import pytest

from longsoak.core.fitting import Branch, Pair
from longsoak.core.gravimetry import Weighing
from longsoak.rigfile.samples import Samples, read_samples
from longsoak.vocabulary.errors import RigFileError

HEADER = "resistance_ohm,temperature_c,moisture_percent"
WEIGHED = "resistance_ohm,temperature_c,wet_g,dry_g,tare_g"


def read(folder: Path, text: str | bytes) -> Samples:
    path = folder / "samples.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_samples(path)


def mistakes(folder: Path, text: str | bytes) -> list[str]:
    with pytest.raises(RigFileError) as refused:
        read(folder, text)
    return [str(mistake).removeprefix(f"{folder}/") for mistake in refused.value.mistakes]


def test_moisture_is_taken_as_given(tmp_path: Path) -> None:
    found = read(tmp_path, f"{HEADER},sample,branch\n2.1e4,20.5,21.8,H1,wetting\n44000,-3,18.1,,\n")
    assert found.pairs == (
        Pair(2.1e4, 20.5, 21.8, "H1", Branch.WETTING),
        Pair(44000.0, -3.0, 18.1, "line 3", None),
    )
    assert found.weighings == ()


def test_moisture_follows_from_the_weighings(tmp_path: Path) -> None:
    found = read(tmp_path, f"{WEIGHED}\n1e6,20,172.30,148.45,20\n1e6,20,152.30,128.45,\n")
    # NT BUILD 302 (1986), section 4, read; the number is computed from it.
    assert [pair.moisture for pair in found.pairs] == pytest.approx([18.5675, 18.5675], abs=5e-5)
    assert found.weighings == (Weighing(172.3, 148.45, 20.0), Weighing(152.3, 128.45, None))


def test_columns_stand_in_any_order_and_others_are_named(tmp_path: Path) -> None:
    found = read(
        tmp_path, "remark,moisture_percent, temperature_c ,resistance_ohm,by\nx,9,20,1e8,me\n"
    )
    assert found.pairs == (Pair(1e8, 20.0, 9.0, "line 2"),)
    assert found.ignored == ("remark", "by")


def test_what_a_spreadsheet_writes_is_read(tmp_path: Path) -> None:
    text = f'{HEADER},remark\r\n"1e8",20,9,"two\r\nlines, ""said"""\r\n\r\n,,,\r\n2e8,20,8,\r\n'
    found = read(tmp_path, b"\xef\xbb\xbf" + text.encode())
    assert [pair.sample for pair in found.pairs] == ["line 2", "line 6"]


def test_every_mistake_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    text = (
        f"{WEIGHED},branch,sample\n"
        f"4.2 MOhm,20,12,10,0,dry,{'x' * 61}\n"
        '1e6,"20,5",9,10,,,\n'
        "1e6,99,,10,,up,\n"
        "1e6,20\n"
        "nan,1_0,1e9999,10,,,\n"
        "2e4,20,50,20,20,,\n"
        "1e6,20,90,20,-1,,\n"
    )
    assert mistakes(tmp_path, text) == [
        "samples.csv:2: resistance_ohm is '4.2 MOhm', expected a resistance in Ohm from 10000 to "
        "1e15, as a bare number. Write for example 1.2e8.",
        f"samples.csv:2: sample is '{'x' * 60}'…, expected up to 60 characters on one line. "
        "Shorten the name.",
        "samples.csv:2: branch is 'dry', expected wetting or drying, or nothing. "
        "Did you mean drying?",
        "samples.csv:3: temperature_c is '20,5', expected degrees Celsius from -20 to 50, as a "
        "bare number. Write 20.5, with a point.",
        "samples.csv:3: wet_g is 9, expected more than the 10 g of dry_g, and not more than 200 % "
        "of the oven-dry mass above it. Look whether the two are swapped, or a tare is missing.",
        "samples.csv:4: temperature_c is '99', expected degrees Celsius from -20 to 50, as a bare "
        "number. Write for example 20.5.",
        "samples.csv:4: wet_g is empty, expected a mass in g above 0, as a bare number. Fill it "
        "in, or remove the line.",
        "samples.csv:4: branch is 'up', expected wetting or drying, or nothing. Leave it empty if "
        "it isn't known.",
        "samples.csv:5: the line is 2 cells, expected 7, as in the header. Add or remove commas; "
        "a decimal mark must be a point.",
        "samples.csv:6: resistance_ohm is 'nan', expected a resistance in Ohm from 10000 to 1e15, "
        "as a bare number. Write for example 1.2e8.",
        "samples.csv:6: temperature_c is '1_0', expected degrees Celsius from -20 to 50, as a "
        "bare number. Write for example 20.5.",
        "samples.csv:6: wet_g is '1e9999', expected a mass in g above 0, as a bare number. Write "
        "for example 152.30.",
        "samples.csv:7: dry_g is 20, expected more than the 20 g of tare_g: wet_g and dry_g are "
        "weighed with the container. Correct the weighings, or leave the tare empty if it is "
        "already taken off.",
        "samples.csv:8: tare_g is '-1', expected a mass in g, 0 or more, as a bare number. Write "
        "for example 20.00.",
        "samples.csv:8: wet_g is 90, expected more than the 20 g of dry_g, and not more than 200 % "
        "of the oven-dry mass above it. Look whether the two are swapped, or a tare is missing.",
    ]


def test_resistances_in_another_unit_are_told_once(tmp_path: Path) -> None:
    ranges = "expected a resistance in Ohm from 10000 to 1e15, as a rig takes less for a short."
    assert mistakes(tmp_path, f"{HEADER}\n120,20,9\n14.5,20,12\n0.9,20,20\n1e5,20,5\n") == [
        f"samples.csv:2: resistance_ohm is 120, and as low in 2 more lines, {ranges} This is more "
        "like kOhm or MOhm: write Ohm."
    ]
    assert mistakes(tmp_path, f"{HEADER}\n1e6,20,9\n1e5,20,12\n9999,20,30\n") == [
        f"samples.csv:4: resistance_ohm is 9999, {ranges} If it is in kOhm or MOhm, write it in "
        "Ohm; if not, leave the sample out."
    ]
    assert len(read(tmp_path, f"{HEADER}\n1e4,20,9\n").pairs) == 1


def test_swapped_resistances_and_moistures_are_asked_about(tmp_path: Path) -> None:
    assert mistakes(tmp_path, f"{HEADER}\n9.5,20,1.2e8\n") == [
        "samples.csv:2: resistance_ohm is 9.5 beside a moisture_percent of 1.2e8, expected a "
        "resistance in Ohm from 10000 to 1e15. Are the two columns swapped?"
    ]


def test_a_sample_that_is_there_twice_is_told_and_one_measured_again_is_not(
    tmp_path: Path,
) -> None:
    again = f"{HEADER},sample\n1e6,20,9,A\n1.1e6,20,9,A\n1e6,20,9,\n1e6,20,9,\n"
    assert len(read(tmp_path, again).pairs) == 4
    assert mistakes(tmp_path, f"{again}1.1e6,20,9,A\n") == [
        "samples.csv:6: sample is A with the same values as in line 3, expected each measurement "
        "once. Remove one of the two lines."
    ]


def test_a_tare_that_was_never_filled_in_is_told(tmp_path: Path) -> None:
    assert mistakes(tmp_path, f"{WEIGHED}\n1e6,20,152.30,128.45,\n1e5,20,162.30,128.45,\n") == [
        "samples.csv:1: tare_g is empty in every line, expected what the container weighs, in g, "
        "where it was weighed along. Fill it in, or remove the column if the samples were weighed "
        "bare."
    ]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        (
            "resistence_ohm,temperature_c,moisture_percent",
            "samples.csv:1: resistance_ohm is missing, expected a column resistance_ohm in the "
            "header. Rename resistence_ohm if it is that.",
        ),
        (
            "resistance_ohm,temperature_c,remark",
            "samples.csv:1: moisture_percent is missing, expected a column moisture_percent, or "
            "wet_g and dry_g, in the header. Add it.",
        ),
        (
            "resistance_ohm,temperature_c,wet_g",
            "samples.csv:1: dry_g is missing, expected a column dry_g in the header. Add it.",
        ),
        (
            "resistance_ohm,temperature_c,moisture_percent,dry_g,wet_g",
            "samples.csv:1: moisture_percent is there beside dry_g, wet_g, expected either the "
            "moisture or the weighings it follows from. Remove the one that was derived from the "
            "other.",
        ),
        (
            "resistance_ohm,temperature_c,moisture_percent,temperature_c",
            "samples.csv:1: temperature_c is there twice, expected each column once. Remove or "
            "rename one.",
        ),
        (
            "resistance_kohm,temperature_c,moisture_percent",
            "samples.csv:1: resistance_ohm is missing, expected a column resistance_ohm in the "
            "header. If resistance_kohm is that, convert it to ohm and name it resistance_ohm.",
        ),
        (
            "ohm,celsius,percent",
            "samples.csv:1: the header is 'ohm,celsius,percent', expected the names of columns "
            "with commas between: resistance_ohm, temperature_c, and moisture_percent or wet_g "
            "and dry_g. Write for example resistance_ohm,temperature_c,moisture_percent as the "
            "first line.",
        ),
        (
            "resistance_ohm;temperature_c;moisture_percent",
            "samples.csv:1: the header is kept apart by semicolons, expected commas between the "
            "columns. Save the file with commas between, and with points in the numbers.",
        ),
    ],
)
def test_a_wrong_header_is_told(tmp_path: Path, header: str, says: str) -> None:
    row = ",".join(
        {"wet_g": "9", "resistance_ohm": "8e6"}.get(name, "8") for name in header.split(",")
    )
    assert mistakes(tmp_path, f"{header}\n{row}\n") == [says]


def test_a_wrong_header_hides_no_wrong_cell(tmp_path: Path) -> None:
    said = mistakes(tmp_path, "resistance_ohm,temperature\nmuch,20\n")
    assert [line.split(" is ")[0] for line in said] == [
        "samples.csv:1: temperature_c",
        "samples.csv:1: moisture_percent",
        "samples.csv:2: resistance_ohm",
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "samples.csv:1: the file is empty, expected a header line, then a line for each"),
        (b"\n \n", "samples.csv:1: the file is empty, expected a header line, then a line for"),
        (HEADER.encode(), "samples.csv:1: the file is a header only, expected a header line,"),
        (b"resistance_ohm\n\xb0C", "samples.csv:2: the file is text with the byte 0xb0, expected"),
        (
            f'{HEADER}\n1e6,20,9\n1e6,20,"9"x\n'.encode(),
            "samples.csv:3: the line is not CSV (',' expected after '\"'), expected cells and",
        ),
        (
            f'{HEADER}\n1e6,20,"9\n'.encode(),
            "samples.csv:2: the line is not CSV (unexpected end of data), expected cells and",
        ),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path: Path, text: bytes, says: str) -> None:
    (said,) = mistakes(tmp_path, text)
    assert said.startswith(says)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RigFileError) as refused:
        read_samples(tmp_path / "none.csv")
    assert str(refused.value).endswith(
        "none.csv: the file is unreadable (No such file or directory), expected a file of "
        "samples this user may read. Correct the path, or the file's permissions."
    )


def test_a_folder_is_no_file_of_samples(tmp_path: Path) -> None:
    with pytest.raises(RigFileError, match=os.strerror(21)):
        read_samples(tmp_path)
