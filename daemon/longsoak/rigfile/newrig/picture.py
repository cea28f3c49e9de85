"""The rig drawn in characters: a bay in section, its layers, its probes, the water below. Pure."""

from collections.abc import Sequence
from itertools import accumulate

from longsoak.rigfile.newrig.answers import Answers, BayAnswer, LayerAnswer, Stands
from longsoak.rigfile.newrig.probes import Planned, plan_probes
from longsoak.rigfile.report import number
from longsoak.vocabulary.rig import Kind, Material

COLUMNS, ROWS = 48, 13  # of the specimen's section, in characters
_FILL = {
    Material.TIMBER: "|",
    Material.CORK: "%",
    Material.LIME: ".",
    Material.MASONRY: "#",
    Material.CONCRETE: ":",
    Material.BOARD: "=",
    Material.INSULATION: "/",
    Material.OTHER: ",",
}
_PINS, _HEAT, _BOTH = "O", "T", "*"
_MARGIN = 2


def picture(answers: Answers) -> str:
    """Each bay in section with what is under it, and what the characters mean."""
    bays = [bay_picture(answers, bay) for bay in answers.bays]
    water = _water(answers)
    parts = [*bays, *(["\n".join(water)] if water else []), "\n".join(_key(answers))]
    return "\n\n".join(parts)


def bay_picture(answers: Answers, bay: BayAnswer) -> str:
    """One bay in section with what it has of layers and probes."""
    probes = [probe for probe in plan_probes(answers) if probe.says.get("bay") == bay.name]
    return "\n".join(_bay(answers, bay, probes))


def water_picture(answers: Answers) -> str:
    """What is below the specimen."""
    return "\n".join(_water(answers))


def _bay(answers: Answers, bay: BayAnswer, probes: Sequence[Planned]) -> list[str]:
    lies = answers.stands.lies
    grid = _lying(answers, bay) if lies else _standing(bay)
    high = answers.height
    for probe in probes:
        depth, height = _said(probe, "depth"), _said(probe, "height")
        across = _said(probe, "across") - answers.begins(bay)
        wide = bay.width if lies else bay.thickness
        column = _cell(across if lies else depth, wide, COLUMNS)
        row = ROWS - 1 - _cell(height, high, ROWS)
        here = _PINS if probe.kind is Kind.PINS else _HEAT
        grid[row][column] = here if grid[row][column] in (*_FILL.values(), here) else _BOTH
    what = f"{bay.name}, {number(bay.width)} mm wide" + (", never wetted" if bay.control else "")
    margin = " " * _MARGIN
    lines = [f"{margin}{what}"]
    if not lies:
        lines.append(f"{margin}{'wet face':<{COLUMNS - 6}}dry face")
    for row, cells in enumerate(grid):
        mark = ""
        if row in (0, ROWS - 1):
            mark = f" {number(high if row == 0 else 0.0)}"
        elif lies:
            mark = _layer_mark(answers, bay, row)
        lines.append(f"{margin}[{''.join(cells)}]{mark}".rstrip())
    lines.append(f"{margin}{_scale(bay, lies=lies)}")
    return lines


def _said(probe: Planned, key: str) -> float:
    value = probe.says[key]
    return float(value) if isinstance(value, int | float) else 0.0


def _cell(value: float, whole: float, cells: int) -> int:
    return max(0, min(cells - 1, int(value / whole * cells)))


def _standing(bay: BayAnswer) -> list[list[str]]:
    row = [_fill(bay.layers, (i + 0.5) / COLUMNS * bay.thickness) for i in range(COLUMNS)]
    return [list(row) for _ in range(ROWS)]


def _lying(answers: Answers, bay: BayAnswer) -> list[list[str]]:
    rows = []
    for i in range(ROWS):
        share = (i + 0.5) / ROWS
        share = share if answers.stands is Stands.FROM_ABOVE else 1 - share
        rows.append([_fill(bay.layers, share * bay.thickness)] * COLUMNS)
    return [list(row) for row in rows]


def _fill(layers: Sequence[LayerAnswer], depth: float) -> str:
    ends = accumulate(layer.thickness for layer in layers)
    layer = next((each for each, end in zip(layers, ends, strict=True) if depth < end), layers[-1])
    return _FILL[layer.material]


def _layer_mark(answers: Answers, bay: BayAnswer, row: int) -> str:
    """The name of a layer beside the row in its midst."""
    start = 0.0
    for layer in bay.layers:
        middle = (start + layer.thickness / 2) / bay.thickness
        middle = middle if answers.stands is Stands.FROM_ABOVE else 1 - middle
        if _cell(middle, 1.0, ROWS) == row:
            return f" {layer.name}"
        start += layer.thickness
    return ""


def _scale(bay: BayAnswer, *, lies: bool) -> str:
    if lies:
        return f" 0{number(bay.width):>{COLUMNS - 1}}  mm across"
    return f" 0{number(bay.thickness):>{COLUMNS - 1}}  mm deep"


def _water(answers: Answers) -> list[str]:
    margin, water = " " * _MARGIN, answers.water
    feet = f"{margin}  underside at {number(answers.underside)} mm"
    if answers.stands is Stands.IN_WATER:
        lines = [f"{margin}~{'~' * COLUMNS}~ its foot stands in a dish of water"]
    else:
        lines = []
    if water is None:
        return lines
    lines.append(feet)
    levels = [(water.stop, "a top-up ends here", "~"), (water.pump_needs, "the pump needs", ".")]
    if water.float_at is not None:
        levels.insert(0, (water.float_at, "the float trips", "-"))
    for level, what, fill in levels:
        lines.append(f"{margin}|{fill * COLUMNS}| {number(level)} {what}")
    lines.append(f"{margin}'{'-' * COLUMNS}' 0 {water.name}")
    clearance = answers.underside - water.stop
    return [*lines, f"{margin}  clearance at stop: {number(round(clearance, 6))} mm"]


def _key(answers: Answers) -> list[str]:
    probes = plan_probes(answers)
    materials = dict.fromkeys(layer.material for bay in answers.bays for layer in bay.layers)
    words = [f"{_FILL[material]} {material}" for material in materials]
    words.append(f"{_PINS} a pair of pins")
    if any(probe.kind is Kind.TEMPERATURE and "bay" in probe.says for probe in probes):
        words.append(f"{_HEAT} a thermometer")
    words.append(f"{_BOTH} more than one kind there")
    return [f"  {'   '.join(words)}", "  Not to scale: it shows what lies where."]
