"""Samples cut out and dried: what can stand in an entry, and what is made of it."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.core.contentwords import content_words
from longsoak.core.logbook import check_against, check_among, check_entry
from longsoak.core.samples import (
    AT_ONCE,
    OVEN,
    completed_content,
    oven_words,
    remarks,
    sample_document,
    sample_said,
    samples,
    whole_content,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import SAMPLE, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from pages.pagerig import make_rig

NOW_MS = 1_790_000_000_000
RIG = make_rig()
BAY = "plain lime"
# u = 100 (m_w - m_0) / m_0: NT BUILD 302 (1986), section 4, second hand from
# tests/reference/test_gravimetry.py, with the results computed there.
WET, DRY = 152.30, 128.45  # g
MOISTURE = 18.5675  # %
UNCERTAINTY = 0.0121  # %, for 0.01 g each
CONTENT: dict[str, Json] = {
    "identity": "K1", "depth_from_mm": 60.0, "depth_to_mm": 80.0, "height_mm": 120.0,
    "across_mm": None, "material": "wood", "dry_cut": True, "sealed": True, "minutes": 4.0,
    "wet_g": WET, "dry_g": DRY, "tare_g": None, "second_dry_g": None, "balance_g": 0.01,
    "oven": 103.0, "note": "",
}  # fmt: skip


def entry(more: Mapping[str, Json] | None = None, *, number: int = 1) -> LogbookEntry:
    content = CONTENT | dict(more or {})
    return LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="A sample", kind=SAMPLE,
        subject=Subject(About.BAY, BAY), content=content, number=number,
    )  # fmt: skip


def check(one: LogbookEntry) -> None:
    check_entry(one)
    check_against(one, RIG, began_ms=NOW_MS - 1, last=9)


def test_its_moisture_and_what_the_balance_leaves_of_it_come_from_its_masses() -> None:
    check(entry())
    (found,) = samples([entry()])
    assert found.moisture == pytest.approx(MOISTURE, abs=5e-5)
    assert found.uncertainty == pytest.approx(UNCERTAINTY, abs=5e-5)
    assert remarks(found) == []
    document = sample_document(found)
    assert document["moisture"] == found.moisture
    assert sample_said(BAY, CONTENT) == (
        "Sample K1, plain lime, 60 to 80 mm deep, 120 mm high: 152.3 g wet, 128.45 g dry at 103 °C."
    )


def test_before_it_is_dry_nothing_is_made_of_it() -> None:
    one = entry({"dry_g": None, "oven": None})
    check(one)
    (found,) = samples([one])
    assert (found.moisture, found.uncertainty) == (None, None)
    assert sample_said(BAY, one.content).endswith("152.3 g wet, not dried yet.")


def test_lime_has_two_dry_masses_and_both_are_told() -> None:
    (once,) = samples([entry({"material": "lime", "oven": 105.0})])
    assert "was not weighed again at the end" in remarks(once)[0]
    (twice,) = samples([entry({"material": "lime", "oven": 105.0, "second_dry_g": 129.0})])
    assert remarks(twice) == []
    assert twice.second_moisture == pytest.approx(100 * (WET - 129.0) / 129.0)


@pytest.mark.parametrize(("material", "usual"), list(OVEN.items()))
def test_an_oven_that_is_not_usual_for_the_material_is_told_and_not_refused(
    material: str, usual: tuple[float, float]
) -> None:
    for oven, told in ((usual[0], False), (usual[1], False), (usual[1] + 1, True)):
        one = entry({"material": material, "oven": oven, "second_dry_g": DRY})
        check(one)
        (found,) = samples([one])
        assert any("usual for" in words for words in remarks(found)) is told


def test_how_it_was_cut_and_kept_is_told() -> None:
    (found,) = samples([entry({"dry_cut": False, "sealed": False, "minutes": 40.0})])
    assert remarks(found) == [
        "It was cut with water, some of which may be in it.",
        "It was not sealed at once: it dried in the air for 40 min until it was weighed.",
    ]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"identity": " "}, "A sample has an identity, the one written on it"),
        ({"identity": "k" * 121}, "one line of up to 120 characters"),
        ({"note": "n" * 1001}, "The note of a sample has up to 1000"),
        ({"material": "stone"}, "The material of a sample is one of wood, gypsum, lime, mineral"),
        ({"dry_cut": None}, "Say whether the sample was cut dry"),
        ({"sealed": "yes"}, "Say whether the sample was sealed at once"),
        ({"wet_g": None}, "The wet of a sample is 0.001 to 1e\\+06 g, not None"),
        ({"oven": 300.0}, "The oven of a sample is 20 to 200 °C, or left out, not 300"),
        ({"minutes": float("inf")}, "The minutes of a sample is 0 to"),
        ({"depth_to_mm": 60.0}, "from one depth to a larger one, not from 60 to 60 mm"),
        ({"oven": None}, "A dry mass and the oven's temperature belong together"),
        ({"dry_g": None, "oven": None, "second_dry_g": 1.0}, "comes after a first one"),
        ({"dry_g": 160.0}, "These masses are of no sample"),
        ({"second_dry_g": 160.0}, "These masses are of no sample"),
        ({"more": 1}, "A sample has across_mm, balance_g"),
        ({"depth_to_mm": 250.0}, "250 mm from the wet face is outside: plain lime is 240 mm thick"),
        ({"height_mm": 421.0}, "421 mm above the underside is outside"),
    ],
)
def test_what_can_not_be_is_refused_in_words(more: dict[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check(entry(more))


def test_what_is_missing_is_told_by_what_it_is_called_and_what_stays_is_taken_over() -> None:
    called = {name: f"--{name}" for name in AT_ONCE} | {"depth_to_mm": "--depth_from_mm"}
    said: dict[str, Json] = dict.fromkeys(CONTENT) | {"identity": "K1"}
    with pytest.raises(RequestError) as refused:
        whole_content(said, bay=BAY, called=called, no_sample=7)
    assert str(refused.value) == (
        "A sample also needs --depth_from_mm, --height_mm, --material, --dry_cut, --sealed, "
        "--minutes, --wet_g. Entry 7 is no sample to complete. Nothing was kept."
    )
    assert (
        whole_content(CONTENT | {"note": None}, bay=BAY, called=called, no_sample=None) == CONTENT
    )
    wet = entry({"dry_g": None, "oven": None})
    dried: dict[str, Json] = dict.fromkeys(CONTENT) | {"dry_g": DRY, "oven": 103.0}
    assert completed_content(wet, dried) == CONTENT


def test_the_line_under_an_entry_says_how_it_was_kept_its_moisture_and_what_to_doubt() -> None:
    assert content_words(entry({"sealed": False, "second_dry_g": 129.0})) == (
        "Wood, cut dry; moisture in % of the dry mass: 18.57 ± 0.02, 18.1 by the second dry mass. "
        "It was not sealed at once: it dried in the air for 4 min until it was weighed."
    )
    assert content_words(entry({"dry_g": None, "oven": None, "dry_cut": False})) == (
        "Wood, sealed at once, on the balance after 4 min. It was cut with water, some of which "
        "may be in it."
    )
    assert oven_words() == "wood 101 to 105 °C, gypsum 40 to 45 °C, lime and mineral 103 to 107 °C"


def test_a_sample_is_of_a_bay_and_its_identity_is_its_own() -> None:
    with pytest.raises(RequestError, match="A sample is of a bay: name it"):
        check_entry(replace(entry(), subject=THE_RIG))
    with pytest.raises(RequestError, match="Entry 1 is a sample 'K1' already"):
        check_among(entry(number=0), lambda: [entry()])
    check_among(entry({"identity": "K2"}, number=0), lambda: [entry()])
    check_among(replace(entry(number=0), corrects=1), lambda: [entry()])
    check_among(entry(number=0), lambda: [replace(entry(), corrected_by=(2,))])
