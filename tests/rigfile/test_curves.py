"""Shipped curves against the published table."""

from itertools import pairwise
from math import log10

import pytest

from longsoak.rigfile.curves import shipped

# W. L. James, Electric Moisture Meters for Wood, FPL-GTR-6 (1988), Table 1: resistance in MOhm
# along the grain at 80 degF for 7 to 25 % moisture content. From memory, not read in the original;
# supported by calculation, see below. Rows in the order of the table's columns.
JAMES_1988_TABLE_1 = {
    "Douglas-fir (coast)": (
        "22400 4780 1660 630 265 120 60 33 18.6 11.2 7.1 4.6 3.09 2.14 1.51 1.1 .79 .6 .46"
    ),
    "longleaf pine": (
        "25000 8700 3160 1320 575 270 135 74 41.7 24 14.4 8.9 5.76 3.72 2.46 1.66 1.15 .79 .6"
    ),
    "shortleaf pine": (
        "43600 11750 3720 1350 560 255 130 69 38.9 22.4 13.8 8.7 5.76 3.8 2.63 1.82 1.29 .93 .66"
    ),
    "eastern white pine": (
        "20900 5620 2090 850 405 200 102 58 33.1 19.9 12.3 7.9 5.01 3.31 2.19 1.51 1.05 .74 .52"
    ),
    "Sitka spruce": (
        "22400 5890 2140 830 365 165 83 44 25.1 15.5 9.8 6.3 4.27 3.02 2.14 1.58 1.17 .91 .71"
    ),
    "western hemlock": (
        "22900 5620 2040 850 400 185 98 51 28.2 16.2 10 6 3.89 2.52 1.58 1.05 .72 .51 .37"
    ),
    "redwood": (
        "22400 4680 1550 615 250 100 45 22 12.6 7.2 4.7 3.2 2.29 1.74 1.32 1.05 .85 .71 .6"
    ),
    "northern red oak": (
        "14400 4790 1590 630 265 125 63 32 18.2 11.3 7.3 4.6 3.02 2.09 1.45 .95 .8 .63 .5"
    ),
    "white oak": ("17400 3550 1100 415 170 80 42 22 12.6 7.2 4.3 2.7 1.7 1.15 .79 .6 .49 .44 .41"),
    "birch": (
        "87000 19950 4470 1290 470 200 96 53 30.2 18.2 11.5 7.6 5.13 3.55 2.51 1.78 1.32 .95 .7"
    ),
}


@pytest.mark.parametrize("name", JAMES_1988_TABLE_1)
def test_a_shipped_curve_has_the_points_of_the_table(name: str) -> None:
    curve = shipped()[name]

    assert [moisture for moisture, _ in curve.points] == list(range(7, 26))
    assert [ohms / 1e6 for _, ohms in curve.points] == pytest.approx(
        [float(cell) for cell in JAMES_1988_TABLE_1[name].split()], rel=1e-9
    )
    assert curve.name == name
    assert curve.reference_temperature == 26.7  # 80 degF


def test_the_table_s_ten_species_and_one_closed_form_ship_and_no_other() -> None:
    # Coefficients of other relations are not remembered surely enough to ship.
    assert list(shipped()) == [*JAMES_1988_TABLE_1, "Douglas-fir, closed form"]


@pytest.mark.parametrize("name", JAMES_1988_TABLE_1)
def test_a_wetter_piece_conducts_better_on_every_shipped_curve(name: str) -> None:
    points = shipped()[name].points

    assert all(wet[0] > dry[0] and wet[1] < dry[1] for dry, wet in pairwise(points))


@pytest.mark.parametrize("name", JAMES_1988_TABLE_1)
def test_a_shipped_curve_says_where_it_comes_from_and_how_surely(name: str) -> None:
    curve = shipped()[name]

    assert "FPL-GTR-6 (James 1988), Table 1" in curve.source
    assert "from memory" in curve.source
    assert curve.uncertainty == 1.0  # % MC, common practice for a species curve


def test_the_douglas_fir_curve_agrees_with_the_published_two_parameter_form() -> None:
    # Straube, Onysko and Schumacher 2002: log10 MC = 2.99 - 2.113 log10(log10 R). From memory.
    # It misses the table by 0.25 % MC at most (computed); a slip in one cell of the table of the
    # size of a swapped digit would show.
    for moisture, ohms in shipped()["Douglas-fir (coast)"].points:
        assert 10 ** (2.99 - 2.113 * log10(log10(ohms))) == pytest.approx(moisture, abs=0.26)
