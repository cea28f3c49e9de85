"""A rig that `longsoak new` has written is drawn, whatever was asked for."""

import pytest
from hypothesis import given, settings

from longsoak.rigfile.load import parse
from longsoak.rigfile.newrig.reading import read_answers
from longsoak.rigfile.newrig.templates import template_text, templates
from longsoak.rigfile.newrig.text import rig_text
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.section import Words, draw_section
from longsoak_dashboards.drawing.sheet import lay_out
from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.view.marks import marks
from newrigs import Raw, answers, text_of
from pages.pagerig import NOW_MS

WATER = Water(72.0, "clearance 38 ± 2 mm", "water 72 ± 2 mm", "level not known", old=False)


def written(text: str) -> Rig:
    found = read_answers(text, file="answers.toml", find_kind=find_kind)
    return parse(rig_text(found), file="rig.toml", find_kind=find_kind)


def is_drawn(rig: Rig) -> None:
    every = marks(rig, {}, last_good_ms={}, now_ms=NOW_MS)
    for sheet, bay in zip(lay_out(rig), rig.specimen.bays, strict=True):
        inside = [mark for mark in every if mark.probe.bay == bay.name]
        section = draw_section(
            sheet,
            rig,
            bay,
            inside,
            WATER if rig.reservoir else None,
            (),
            name="s0",
            words=Words("a section", "what it shows"),
            link=lambda mark: f"/probe/{mark.probe.name}",
        )
        assert str(section.svg).count("data-probe=") == len(inside)


@pytest.mark.parametrize("name", list(templates()))
def test_a_template_is_drawn(name: str) -> None:
    is_drawn(written(template_text(name)))


@settings(max_examples=20, deadline=None)
@given(raw=answers())
def test_any_new_rig_is_drawn_with_all_its_probes(raw: Raw) -> None:
    is_drawn(written(text_of(raw)))
