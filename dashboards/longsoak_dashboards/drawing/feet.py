"""What stands in the reservoir, to scale: pedestals and feet, as far as the rig file tells them."""

from markupsafe import Markup

from longsoak.vocabulary.rig import Block, Reservoir
from longsoak_dashboards.drawing.sheet import Sheet
from longsoak_dashboards.drawing.svg import path, tag


def draw_feet(sheet: Sheet, reservoir: Reservoir) -> Markup:
    """Two of each kind of two or more, one of a single.

    Sizes and heights are to scale. Where they stand is not declared: they are drawn under either
    end of the specimen, a single one under its middle.
    """
    parts = []
    for block in reservoir.blocks:
        wide = _wide(sheet, block)
        if not wide:
            continue
        top, bottom = sheet.floor - block.end, sheet.floor - block.start
        for left in lefts(sheet, block):
            d = path("M", left, top, "h", wide, "V", bottom, "h", -wide, "Z")
            parts.append(tag("path", cls="outline leaf", d=d))
    return Markup().join(parts)


def lefts(sheet: Sheet, block: Block) -> tuple[float, ...]:
    """Where those that are drawn begin."""
    wide, across = _wide(sheet, block), sheet.across
    if block.count < 2 or 2 * wide > across:
        return ((across - wide) / 2,)
    return (0.0, across - wide)


def room_of_feet(sheet: Sheet, reservoir: Reservoir) -> float:
    """How much of the specimen's right end feet take beneath it, mm."""
    return max(
        (
            _wide(sheet, block)
            for block in reservoir.blocks
            if len(lefts(sheet, block)) > 1 and _wide(sheet, block) < sheet.across / 3
        ),
        default=0.0,
    )


def _wide(sheet: Sheet, block: Block) -> float:
    return block.length if sheet.lies else block.breadth
