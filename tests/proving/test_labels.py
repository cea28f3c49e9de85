"""Labels as a camera sees them: printed by a browser, decoded by a library that drew none."""

from dataclasses import replace
from pathlib import Path

import pytest
import zxingcpp
from playwright.sync_api import Browser

from longsoak.proving.labels import (
    FACE,
    HEIGHT,
    PER_SHEET,
    QUIET_ZONE,
    STRIP,
    labels,
    probe_page,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.rig import Rig
from proofreadings import probe_called
from proving.printing import A4, Pixels, pages_of, paper_of, pixels_of, print_out
from rigs import small_rig

DPI = 200
AWKWARD = (
    "C 30/60",
    "50 % \u00fcber Zwei",
    "Nord-S\u00fcd \u00d8/\u20ac",
    "<script>alert(1)</script>",
    "a?b#c&d=e+f",
    "%2F%20",
    "\u6e7f\u5ea6 1",
)


def rig_of(*names: str) -> Rig:
    pair = probe_called("C 30/60")
    return small_rig(probes=tuple(replace(pair, name=name) for name in names))


def codes_on(pixels: Pixels) -> list[zxingcpp.Barcode]:
    return list(
        zxingcpp.read_barcodes(
            pixels, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)
        )
    )


# RFC 3986, 2.1 and 2.3 (from memory): all but letters, digits and -._~ is written as % and two
# digits for each byte of its UTF-8.
@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("C 30/60", "C%2030%2F60"),
        ("50 % \u00fc", "50%20%25%20%C3%BC"),
        ("a?b#c", "a%3Fb%23c"),
        ("T-1_x.y~", "T-1_x.y~"),
    ],
)
def test_a_name_is_percent_encoded_in_the_address_of_its_page(name: str, written: str) -> None:
    assert probe_page(small_rig(), name) == f"http://shop-pi.example:8460/probe/{written}"


@pytest.mark.parametrize("page", ["https://rig.example/wall", "https://rig.example/wall/?a=1#top"])
def test_pages_that_lie_below_another_address_are_found_there(page: str) -> None:
    assert probe_page(small_rig(page=page), "T") == "https://rig.example/wall/probe/T"


def test_without_an_address_of_the_pages_the_field_to_add_is_told() -> None:
    with pytest.raises(RequestError, match=r'Add page to \[rig\], for example page = "http'):
        labels(small_rig(page=None))


def test_every_code_on_the_printed_sheet_leads_to_its_probes_page(
    browser: Browser, tmp_path: Path
) -> None:
    rig = rig_of(*AWKWARD)
    pdf = print_out(browser, labels(rig), tmp_path / "labels.pdf")
    assert paper_of(pdf) == A4
    pixels = pixels_of(pdf, dpi=DPI)
    codes = codes_on(pixels)
    assert {code.text for code in codes} == {probe_page(rig, name) for name in AWKWARD}
    assert {code.ec_level for code in codes} <= set("MQH")
    (words,) = pages_of(pdf)
    flat = "".join(words.split())
    for name in AWKWARD[:-1]:  # the machine may have no letters for the last
        assert "".join(name.split()) in flat
    assert "30 mm deep, 60 mm high, plain" in " ".join(words.split())


def test_a_code_has_four_white_modules_round_it(browser: Browser, tmp_path: Path) -> None:
    pdf = print_out(browser, labels(rig_of("C 30/60")), tmp_path / "labels.pdf")
    pixels = pixels_of(pdf, dpi=300)
    (code,) = codes_on(pixels)
    corners = code.position
    left, right = corners.top_left.x, corners.top_right.x
    top, bottom = corners.top_left.y, corners.bottom_left.y
    address = probe_page(small_rig(), "C 30/60")
    # ISO/IEC 18004 (from memory): version 4 has 33 modules and, at level M, 62 bytes.
    assert 42 < len(address) <= 62
    zone = round(QUIET_ZONE * (right - left) / 33)
    ring = pixels[top - zone : bottom + zone, left - zone : right + zone].copy()
    assert ring.min() < 100  # the code is in there
    ring[zone - 2 : 2 - zone, zone - 2 : 2 - zone] = 255
    assert ring.min() > 200


def test_a_label_is_as_large_as_it_says(browser: Browser) -> None:
    html = labels(rig_of("C 30/60"))
    assert f"each label is {2 * FACE + STRIP} mm by {HEIGHT} mm" in html
    page = browser.new_page()
    page.set_content(html)
    box = page.locator(".label").bounding_box()
    page.close()
    assert box is not None
    mm = 96 / 25.4  # CSS pixels, CSS Values 3, 6.2 (from memory)
    assert box["width"] / mm == pytest.approx(2 * FACE + STRIP, abs=0.2)
    assert box["height"] / mm == pytest.approx(HEIGHT, abs=0.2)


def test_the_longest_name_and_place_fit_on_a_label_and_are_decoded(
    browser: Browser, tmp_path: Path
) -> None:
    name, words = "\u00c4bc 12/34 " * 7, "Nordwand" * 8
    name, words = name[:60], words[:60]  # a name has 60 characters at most
    pair = probe_called("C 30/60")
    pair = replace(pair, name=name, bay=words, depth=1234.5, height=1234.5, across=1234.5)
    rig = small_rig(name=words, probes=(replace(pair, place=words),))
    page = browser.new_page()
    page.set_content(labels(rig))
    over = page.evaluate(
        """() => [...document.querySelectorAll(".back, .rig")]
          .filter((e) => e.scrollHeight > e.clientHeight || e.scrollWidth > e.clientWidth)
          .map((e) => e.className)"""
    )
    page.close()
    assert over == []
    pdf = print_out(browser, labels(rig), tmp_path / "long.pdf")
    (code,) = codes_on(pixels_of(pdf, dpi=300))  # a module is 0.3 mm
    assert code.text == probe_page(rig, name)


def test_a_large_rig_takes_several_sheets_of_whole_labels(browser: Browser, tmp_path: Path) -> None:
    rig = rig_of(*(f"C {number}" for number in range(2 * PER_SHEET + 4)))
    pdf = print_out(browser, labels(rig), tmp_path / "many.pdf")
    pages = pages_of(pdf)
    assert len(pages) == 3
    assert all(f"sheet {number} of 3" in words for number, words in enumerate(pages, 1))
    counts = [len(codes_on(pixels_of(pdf, page=page, dpi=DPI))) for page in (1, 3)]
    assert counts == [PER_SHEET, 4]


def test_hostile_words_in_a_rig_file_stay_words() -> None:
    hostile = "<script>alert(1)</script>"
    pair = replace(probe_called("RH room"), name=hostile, place=hostile)
    html = labels(small_rig(name=hostile, probes=(pair,)))
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 5  # title, heading, and name, place and rig on a label


def test_a_probe_without_a_place_is_on_its_bus_and_one_beside_the_middle_says_so() -> None:
    assert "on meter" in labels(small_rig(probes=(probe_called("meter reference"),)))
    aside = replace(probe_called("C 30/60"), across=20)
    assert "30 mm deep, 60 mm high, 20 mm across, plain" in labels(small_rig(probes=(aside,)))
