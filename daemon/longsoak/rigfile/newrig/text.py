"""Writes the rig file of some answers, each table with a comment on what it is for. Pure."""

from collections.abc import Iterator, Mapping

from longsoak.rigfile.newrig.answers import ROLE_WORDS, AirSide, Answers, BayAnswer, Layout, Stands
from longsoak.rigfile.newrig.probes import (
    AIR_NAMES,
    FLOAT,
    LEVEL,
    Planned,
    addressed,
    buses,
    layer_at,
    plan_probes,
)
from longsoak.rigfile.newrig.texts import (
    AT_MOST,
    BACKUP,
    BETWEEN,
    CHECK,
    DISH,
    HEAD,
    LIMIT,
    NO_CONTROL,
    NO_WATER,
    NOTICES,
    NOTICES_NONE,
    OWN_ALARM,
    POSITIONS,
    PROBES,
    RISES,
    SCALE,
    SCHEMA_FILE,
    WATER,
)
from longsoak.rigfile.report import number, quoted, toml
from longsoak.rigfile.words import Table
from longsoak.vocabulary.rig import Kind, Material


def rig_text(answers: Answers) -> str:
    """The text of the rig file. `longsoak check` accepts it as it stands."""
    probes = plan_probes(answers)
    parts = [
        f"#:schema ./{SCHEMA_FILE}",
        HEAD,
        _rig(answers),
        _specimen(answers),
        *(_bay(answers, bay) for bay in answers.bays),
        *_control(answers),
        _reservoir(answers),
        _room(answers),
        *_buses(answers, probes),
        PROBES,
        *_probes(answers, probes),
        SCALE,
        _limit(answers, probes),
        OWN_ALARM,
        *_notices(answers),
        BACKUP,
    ]
    return "\n\n".join(part.strip("\n") for part in parts if part) + "\n"


def _rig(answers: Answers) -> str:
    asked = (
        f"\n\n# What the test is to find out; a report begins with it.\n[report]\n"
        f"question = {quoted(answers.question)}"
        if answers.question
        else ""
    )
    return (
        "# Who it is. A rig keeps its name for as long as its record.\n[rig]\n"
        f"name = {quoted(answers.name)}\n"
        "# start = 2026-05-04            # day 1 of the test\n"
        '# time_zone = "Europe/Paris"    # for quiet hours and the weekly trial'
        f"{asked}"
    )


def _specimen(answers: Answers) -> str:
    lines = [
        "# The specimen. Heights of water, and the underside, count from the reservoir's floor.",
        "[specimen]",
    ]
    if answers.stands.lies:
        lines += [
            f"wet_face = {quoted(answers.stands.wet_face)}",
            f"breadth = {number(answers.breadth or 0)}  # from front to back",
        ]
    high = number(answers.height)
    lines += [
        f"height = {high}" + ("  # all layers together" if answers.stands.lies else ""),
        f"width = {number(answers.width)}",
        f"underside = {number(answers.underside)}",
        "# What each edge lets through: sealed, guarded (a strip as wet as what is beside it) or "
        "open.",
        'edges = { top = "sealed", bottom = "open", left = "guarded", right = "guarded" }',
        BETWEEN,
        f"between_bays = {toml(['sealed'] * (len(answers.bays) - 1))}",
    ]
    return "\n".join(lines)


def _bay(answers: Answers, bay: BayAnswer) -> str:
    layers = "\n".join(
        f"  {{ name = {quoted(layer.name)}, material = {quoted(layer.material)}, "
        f"thickness = {number(layer.thickness)} }},"
        for layer in bay.layers
    )
    what = ", never wetted: the control" if bay.control else ""
    control = (
        '\n# Begin the wetting with: longsoak phase rig.toml "..." --begin wetting --control '
        f"{quoted(bay.name)}"
        if bay.control
        else ""
    )
    return (
        f"# A bay{what}. Layers are told from the wet face inwards.{control}\n[[bays]]\n"
        f"name = {quoted(bay.name)}\n"
        f"from = {number(answers.begins(bay))}\n"
        f"to = {number(answers.ends(bay))}\n"
        f"layers = [\n{layers}\n]"
    )


def _control(answers: Answers) -> Iterator[str]:
    if answers.control is None and answers.layout is Layout.SCEPTIC_PROOF:
        yield NO_CONTROL


def _reservoir(answers: Answers) -> str:
    water = answers.water
    dish = f"{DISH}\n" if answers.stands is Stands.IN_WATER else ""
    if water is None:
        return dish + NO_WATER
    switch = f"float = {quoted(FLOAT)}\n" if water.float_at is not None else ""
    return (
        f"{dish}{WATER}\n[reservoir]\nname = {quoted(water.name)}\nlevel = {quoted(LEVEL)}\n"
        f"{switch}"
        "blocks = []       # nothing stands in the water; feet take room, see the README\n"
        f"length = {number(water.length)}\nbreadth = {number(water.breadth)}\n"
        f"rim = {number(water.rim)}\n"
        f"stop = {number(water.stop)}        # a top-up ends here\n"
        f"pump_needs = {number(water.pump_needs)}  # below this the pump runs dry"
    )


def _room(answers: Answers) -> str:
    if AirSide.DRY not in answers.sides:
        return (
            "# The probes that measure the room's air, which then has alarms of its own.\n"
            '# [room]\n# temperature = "room T"\n# humidity = "room RH"'
        )
    name = AIR_NAMES[AirSide.DRY]
    return (
        "# The probes that measure the room's air, which then has alarms of its own.\n"
        f"[room]\ntemperature = {quoted(f'{name} T')}\nhumidity = {quoted(f'{name} RH')}"
    )


def _buses(answers: Answers, probes: tuple[Planned, ...]) -> Iterator[str]:
    for bus in buses(answers, probes):
        options = "".join(f"{key} = {toml(value)}\n" for key, value in bus.options.items())
        extra = ""
        if any(probe.kind is Kind.PINS and probe.role in bus.roles for probe in probes):
            extra = (
                "# most = 100e9         # the most its instrument can measure, Ohm\n"
                "# insulation = 1e11    # the least the wet harness has, Ohm\n"
            )
        roles = ", and ".join(ROLE_WORDS[role] for role in bus.roles)
        yield (
            f"# A bus: what reads {roles}. Nothing else may talk on it.\n[[buses]]\n"
            f"name = {quoted(bus.name)}\ndriver = {quoted(bus.driver)}\n{options}{extra}"
        ).rstrip("\n")


def _probes(answers: Answers, probes: tuple[Planned, ...]) -> Iterator[str]:
    names = {role: bus.name for bus in buses(answers, probes) for role in bus.roles}
    addresses = addressed(answers, probes)
    told: set[object] = set()
    for probe in probes:
        address, guessed = addresses[probe.name]
        lines = [] if probe.role in told else [f"# {POSITIONS[probe.role]}"]
        told.add(probe.role)
        lines += ["[[probes]]", f"name = {quoted(probe.name)}", f"kind = {quoted(probe.kind)}"]
        lines += [f"{key} = {toml(value)}" for key, value in probe.says.items()]
        lines.append(f"bus = {quoted(names[probe.role])}")
        check = f"  {CHECK}" if guessed else ""
        lines.append(f"address = {toml(dict(address))}{check}")
        yield "\n".join(lines)


def _limit(answers: Answers, probes: tuple[Planned, ...]) -> str:
    """A limit to be declared, on the layer in which the deepest pins sit; commented out."""
    pins = [probe for probe in probes if probe.kind is Kind.PINS]
    deepest = max(pins, key=lambda probe: _number(probe.says["depth"]))
    bay = next(bay for bay in answers.bays if bay.name == deepest.says["bay"])
    layer = layer_at(bay, _number(deepest.says["depth"]))
    timber = layer.material is Material.TIMBER
    pure = "moisture content" if timber else "wood-equivalent"
    quantity = "dowel" if "sits_in" in deepest.says else pure
    bound = RISES if quantity == "wood-equivalent" else AT_MOST
    return LIMIT.format(quantity=quoted(quantity), layer=quoted(layer.name), bound=bound)


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _notices(answers: Answers) -> Iterator[str]:
    if answers.mail is None and answers.mqtt is None:
        yield NOTICES_NONE
        return
    yield NOTICES
    if answers.mail is not None:
        yield f"[notices.mail]\n{_said(answers.mail)}"
    if answers.mqtt is not None:
        yield f"[notices.mqtt]\n{_said(answers.mqtt)}"


def _said(table: Table) -> str:
    said: Mapping[str, object] = table.model_dump(mode="json", by_alias=True, exclude_none=True)
    return "\n".join(f"{key} = {toml(value)}" for key, value in said.items())
