"""The questions of `longsoak new`, one part of the rig after the other."""

from dataclasses import replace
from pathlib import Path

import click

from longsoak.cli.newbuses import ask_buses, tell_plugged
from longsoak.cli.newquestions import (
    a_name,
    a_number,
    line,
    numbers,
    one_of,
    until_right,
    yes_or_no,
)
from longsoak.cli.newtelling import tell_chosen, tell_effort
from longsoak.rigfile.newrig.answers import (
    LONGEST_BAY,
    MOST,
    AirSide,
    Answers,
    BayAnswer,
    LayerAnswer,
    Layout,
    Stands,
    WaterAnswer,
)
from longsoak.rigfile.newrig.effort import Minutes
from longsoak.rigfile.newrig.picture import bay_picture, water_picture
from longsoak.rigfile.newrig.waterfits import LEAST_ROOM
from longsoak.rigfile.outlettables import MailTable, MqttTable
from longsoak.rigfile.report import number
from longsoak.service.plugged import Plugged
from longsoak.vocabulary.rig import Material

_LARGEST = 20_000.0  # mm: more is a slip of the unit
_THINNEST = 1.0  # mm
_ALL = {
    Stands.OVER_WATER: "a wall or panel that stands over a tray; one of its faces is wetted",
    Stands.IN_WATER: "a wall or pier that stands with its foot in water, which rises in it",
    Stands.FROM_BELOW: "a floor or roof sample that lies over a tray, wetted from below",
    Stands.FROM_ABOVE: "a floor or roof sample that lies over a tray, wetted from above",
}


def ask_file(folder: Path, name: str) -> Path:
    """Where the rig file is going to be: no file that is there already."""
    path = folder / name
    while path.exists() or path.is_symlink():
        click.echo(f"{path} is there already and stays as it is.")
        if (folder / "record").exists():
            click.echo("The record beside it is that rig's; a rig of its own wants its own folder.")
        stem = Path(name).stem
        free = next(
            n for n in (f"{stem}-{i}.toml" for i in range(2, 10_000)) if not (folder / n).exists()
        )
        path = folder / until_right("Name of the new file", _file_name, free)
    return path


def ask_all(there: Plugged, minutes: Minutes) -> Answers:
    """Ask for everything; the rig is drawn as it grows."""
    click.echo(
        "A few questions, then the rig file is written. Enter takes what stands in brackets;\n"
        "Ctrl-C ends it and writes nothing. Lengths are in mm.\n"
    )
    name = a_name("Name of the rig", default="my rig")
    asked = until_right("What is the test to find out? (a sentence; Enter to leave it out)", _text)
    answers = _specimen(name, asked or None)
    answers = replace(answers, bays=_bays(answers))
    answers = replace(answers, height=_height(answers), width=_width(answers))
    answers = _pins(answers)
    answers = _water(answers)
    answers = _layout(answers, minutes)
    tell_plugged(there)
    answers = replace(answers, buses=ask_buses(answers, there))
    answers = _notices(answers)
    tell_chosen(answers, minutes)
    return answers


def _file_name(typed: str) -> str:
    if Path(typed).name != typed or not typed.endswith(".toml"):
        raise ValueError("Write a name that ends in .toml, without a folder.")
    return typed


def _text(typed: str) -> str:
    if len(typed) > 600 or not typed.isprintable():
        raise ValueError("Write a sentence of up to 600 characters.")
    return typed


def _specimen(name: str, question: str | None) -> Answers:
    click.echo("\nHow does the specimen meet the water?")
    said = one_of("Which", list(_ALL.values()), default="1")
    stands = next(key for key, words in _ALL.items() if words == said)
    height = 0.0
    breadth = None
    if stands.lies:
        breadth = a_number("From front to back", low=_THINNEST, high=_LARGEST, default=400)
    else:
        height = a_number("Height of the specimen", low=_THINNEST, high=_LARGEST, default=420)
    return Answers(
        name=name,
        stands=stands,
        height=height,
        width=0.0,
        underside=0.0,
        bays=(),
        buses={},
        breadth=breadth,
        question=question,
    )


def _bays(answers: Answers) -> tuple[BayAnswer, ...]:
    click.echo(
        "\nA bay is a variant that stands beside another in the same specimen: one render, say, on "
        "the left,\nanother on the right. Most specimens have one."
    )
    count = int(until_right("How many bays", _whole, "1"))
    made: list[BayAnswer] = []
    for place in range(count):
        click.echo(f"\nBay {place + 1} of {count}, from the left:")
        own = a_name(
            "  Its name",
            default="panel" if count == 1 else f"bay {place + 1}",
            longest=LONGEST_BAY,
            taken=[bay.name for bay in made],
        )
        wide = a_number("  Its width", low=_THINNEST, high=_LARGEST, default=600)
        if made and yes_or_no(f"  Is it built in layers as {made[-1].name} is?", default=False):
            layers = made[-1].layers
        else:
            layers = _layers(answers, made)
        made.append(BayAnswer(own, wide, layers, (), ()))
        _draw(answers, made)
    return tuple(made)


def _draw(answers: Answers, made: list[BayAnswer]) -> None:
    """Draw the bay that was told last, as far as it goes."""
    so_far = replace(answers, bays=tuple(made), thermometers=False)
    so_far = replace(so_far, height=_height(so_far), width=_width(so_far))
    click.echo(f"\n{bay_picture(so_far, made[-1])}")


def _whole(typed: str) -> str:
    if typed.isascii() and typed.isdigit() and 1 <= int(typed) <= MOST:
        return typed
    raise ValueError(f"Write a whole number from 1 to {MOST}.")


def _layers(answers: Answers, made: list[BayAnswer]) -> tuple[LayerAnswer, ...]:
    first = "the foot" if answers.stands is Stands.IN_WATER else "the wet face"
    needed = made[0].thickness if made and answers.stands.lies else None
    if needed is not None:
        click.echo(f"  Its layers have to be {number(needed)} mm together, as those before.")
    while True:
        layers: list[LayerAnswer] = []
        while len(layers) < MOST:
            where = f"from {first}" if not layers else "behind it"
            words = f"  Layer {len(layers) + 1}, {where}: its name"
            if layers and (more := line(f"{words} (Enter: no more)")) == "":
                break
            layer = a_name(words, default="panel") if not layers else _again(more, words)
            thick = a_number("    Thickness", low=0.1, high=_LARGEST, default=60)
            material = Material(
                one_of("    Material", [str(each) for each in Material], default="timber")
            )
            layers.append(LayerAnswer(layer, material, thick))
        together = sum(layer.thickness for layer in layers)
        if needed is None or abs(together - needed) < 1e-6:
            return tuple(layers)
        click.echo(f"  They are {number(together)} mm together. Once more.")


def _again(typed: str, words: str) -> str:
    from longsoak.rigfile.words import is_name

    if is_name(typed):
        return typed
    click.echo("  Write a name of 1 to 60 characters.")
    return a_name(words)


def _height(answers: Answers) -> float:
    return answers.bays[0].thickness if answers.stands.lies else answers.height


def _width(answers: Answers) -> float:
    return round(sum(bay.width for bay in answers.bays), 6)


def _pins(answers: Answers) -> Answers:
    mineral = any(
        layer.material is not Material.TIMBER for bay in answers.bays for layer in bay.layers
    )
    dowels = mineral and yes_or_no(
        "Will pins that are not in timber sit in wooden dowels?", default=True
    )
    answers = replace(answers, dowels=dowels)
    made: list[BayAnswer] = []
    for bay in answers.bays:
        click.echo(f"\nPins in {bay.name}: at each depth, at each place.")
        if made and _takes(answers, made[-1], bay) and yes_or_no("  As before?", default=True):
            made.append(replace(bay, depths=made[-1].depths, along=made[-1].along))
        else:
            made.append(_grid(answers, bay))
        _draw(answers, made)
    answers = replace(answers, bays=tuple(made))
    if len(made) > 1:
        words = ["none of them", *(bay.name for bay in made)]
        click.echo("\nWhich bay is never wetted, as the control?")
        said = one_of("Which", words, default="1")
        bays = tuple(replace(bay, control=said == bay.name) for bay in made)
        answers = replace(answers, bays=bays)
    return replace(
        answers,
        thermometers=yes_or_no("\nA thermometer in each bay, to correct its pins?", default=True),
    )


def _takes(answers: Answers, before: BayAnswer, bay: BayAnswer) -> bool:
    """Whether the places of one bay fit into another."""
    wide = bay.width if answers.stands.lies else answers.height
    return (
        before.depths[-1] <= bay.thickness
        and before.along[-1] <= wide
        and (answers.dowels or not any(map(bay.is_between, before.depths)))
    )


def _grid(answers: Answers, bay: BayAnswer) -> BayAnswer:
    def between(depths: tuple[float, ...]) -> str | None:
        hit = next(filter(bay.is_between, depths), None)
        if hit is None or answers.dowels:
            return None
        return (
            f"At {number(hit)} mm one material ends and another begins: go a little deeper, or "
            "less deep."
        )

    first = "the foot" if answers.stands is Stands.IN_WATER else "the wet face"
    depths = numbers(
        f"  Depths from {first}, 0 to {number(bay.thickness)}", high=bay.thickness, wrong=between
    )
    wide = bay.width if answers.stands.lies else answers.height
    where = "Places across the bay" if answers.stands.lies else "Heights above the underside"
    usual = [round(wide * share, 1) for share in (0.15, 0.5, 0.85)]
    along = numbers(f"  {where}, 0 to {number(wide)}", high=wide, default=usual)
    return replace(bay, depths=tuple(depths), along=tuple(along))


def _water(answers: Answers) -> Answers:
    click.echo(
        "\nA reservoir is the water below the specimen that must not touch it: it gets a level "
        "probe,\nand alarms before it runs over, touches the specimen or runs dry."
    )
    if not yes_or_no("Is there one?", default=answers.stands is not Stands.IN_WATER):
        return answers
    name = a_name("  Its name", default="catch tray")
    length = a_number("  Its length", low=10, high=_LARGEST, default=answers.width)
    breadth = a_number("  Its breadth", low=10, high=_LARGEST, default=answers.breadth or 340)
    rim = a_number("  Its rim, above its floor", low=20, high=_LARGEST, default=150)
    low = LEAST_ROOM + 1
    stop = a_number("  Where a top-up ends", low=low, high=rim, default=round(rim * 0.55))
    needs = a_number(
        "  What the pump needs",
        low=0,
        high=round(stop - LEAST_ROOM, 3),
        default=min(25, round(stop / 3)),
    )
    float_at = None
    if rim >= stop + 1 and yes_or_no("  Does a float switch hang above that?", default=True):
        usual = min(rim, stop + 15)
        float_at = a_number("  Where it trips", low=stop + 1, high=rim, default=usual)
    highest = float_at or stop
    under = a_number(
        "  The specimen's underside, above that floor",
        low=highest + 1,
        high=_LARGEST + highest,
        default=highest + 25,
    )
    water = WaterAnswer(name, length, breadth, rim, stop, needs, float_at)
    answers = replace(answers, water=water, underside=under)
    click.echo(f"\n{water_picture(answers)}")
    return answers


def _layout(answers: Answers, minutes: Minutes) -> Answers:
    click.echo("")
    tell_effort(answers, minutes)
    click.echo("\nWhich of the two?")
    layout = Layout(one_of("Which", [str(each) for each in Layout], default="1"))
    answers = replace(answers, layout=layout)
    if layout is Layout.SCEPTIC_PROOF and answers.control is None:
        first = answers.bays[0]
        wider = answers.width + first.width
        if len(answers.bays) < MOST and yes_or_no(
            f"No bay is the control. Add one built as {first.name}, which makes the specimen "
            f"{number(wider)} mm wide?",
            default=True,
        ):
            own = a_name(
                "  Its name",
                default="control",
                longest=LONGEST_BAY,
                taken=[bay.name for bay in answers.bays],
            )
            bays = (*answers.bays, replace(first, name=own, control=True))
            return replace(answers, bays=bays, width=round(wider, 6))
    if layout is Layout.MINIMUM:
        words = {"in the room": (AirSide.DRY,), "on both sides": tuple(AirSide), "nowhere": ()}
        if not answers.thermometers:
            del words["nowhere"]  # pins are corrected by it
        click.echo("Where are humidity and temperature of the air measured?")
        answers = replace(answers, air=words[one_of("Where", list(words), default="1")])
    return answers


def _notices(answers: Answers) -> Answers:
    click.echo("\nWho is told of alarms? Pages and `longsoak now` show them in any case.")
    way = one_of("How", ["nobody yet", "by mail", "by MQTT"], default="1")
    if way == "nobody yet":
        return answers
    host = until_right("  The server's name, without a port", _host, "localhost")
    secret: dict[str, object] = {}
    user = until_right("  User there (Enter: none)", _text)
    if user:
        secret["user"] = user
        secret["password_file"] = until_right(
            "  The file that will hold the password, not the password itself", _path, "password"
        )
    if way == "by mail":
        sender = until_right("  From which address", _mail, "rig@example.org")
        to = until_right("  To which address", _mail, "keeper@example.org")
        port = int(a_number("  Port", low=1, high=65535, default=25))
        tls = yes_or_no("  Encrypted (STARTTLS)?", default=bool(user))
        more = {"starttls": True} if tls else {}
        said = {"host": host, "port": port, "from": sender, "to": [to], **more, **secret}
        return replace(answers, mail=MailTable.model_validate(said))
    prefix = until_right("  First part of the topics", _prefix, "longsoak/rig")
    said = {"host": host, "prefix": prefix, **secret}
    return replace(answers, mqtt=MqttTable.model_validate(said))


def _host(typed: str) -> str:
    from longsoak.rigfile.outletchecks import is_host

    _field(MailTable, "host", typed, "Write a name or an address, such as localhost.")
    if not is_host(typed):
        raise ValueError("Write it without a port, such as localhost.")
    return typed


def _mail(typed: str) -> str:
    return _field(MailTable, "from", typed, "Write an address, such as keeper@example.org.")


def _prefix(typed: str) -> str:
    return _field(MqttTable, "prefix", typed, "Write it without + and #, such as longsoak/rig.")


def _path(typed: str) -> str:
    return _field(MailTable, "password_file", typed, "Write the path of a file.")


def _field(model: type[MailTable] | type[MqttTable], key: str, typed: str, remedy: str) -> str:
    from pydantic import ValidationError

    try:
        model.model_validate({key: typed})
    except ValidationError as error:
        raise ValueError(remedy) from error
    return typed
