"""Reads answers, every mistake in them at once, in the way rig files are read."""

from collections.abc import Callable, Mapping
from itertools import pairwise
from math import isclose
from typing import TypeVar

from longsoak.driver import BusKind
from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.geometrychecks import SLACK
from longsoak.rigfile.lines import KeyPath, Lines
from longsoak.rigfile.load import tables_of
from longsoak.rigfile.newrig.answers import (
    DRIVERS,
    Answers,
    AnswersTable,
    BayAnswer,
    BayTable,
    BusAnswer,
    LayerAnswer,
    LayerTable,
    Layout,
    Role,
    RoleTable,
    WaterAnswer,
    WaterTable,
    usual_options,
)
from longsoak.rigfile.newrig.waterfits import check_water_fits
from longsoak.rigfile.outlettables import MailTable, MqttTable
from longsoak.rigfile.reading import Part, read_table
from longsoak.rigfile.report import MISSING, Report, listed, number, quoted
from longsoak.rigfile.words import Table, given
from longsoak.vocabulary.errors import DriverError

FindKind = Callable[[str], BusKind]
T = TypeVar("T", bound=Table)


def read_answers(text: str, *, file: str, find_kind: FindKind) -> Answers:
    """Read the text of a file of answers.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        How mistakes name it.
    find_kind : callable
        Gives the driver of a name, or raises `DriverError`.

    Raises
    ------
    RigFileError
        With every mistake in it.
    """
    return _read(tables_of(text, file=file), Report(file, Lines(text)), find_kind)


def _read(raw: Mapping[str, object], report: Report, find_kind: FindKind) -> Answers:
    top = read_table(AnswersTable, dict(raw), path=(), report=report)
    bays = [
        (part, _layers(part, report=report))
        for index, item in enumerate(top.table.bays or ())
        for part in (read_table(BayTable, item, path=("bays", index), report=report),)
    ]
    water = _one(WaterTable, top.table.reservoir, "reservoir", report)
    mail = _one(MailTable, top.table.mail, "mail", report)
    mqtt = _one(MqttTable, top.table.mqtt, "mqtt", report)
    buses = _buses(top.table.buses, find_kind=find_kind, report=report)
    report.close()  # each table by itself first: what follows compares them
    _check_size(top.table, report=report)
    answered = _bays(top.table, bays, report=report)
    if water is not None:
        check_water_fits(water, given(top.table.underside), report=report)
    if mail is not None and mail.table.to is None:
        report.add(
            ("mail", "to"),
            MISSING,
            expected="a list of one or more e-mail addresses",
            remedy='Write for example to = ["keeper@example.org"].',
        )
    _check_temperature(top.table, report=report)
    report.close()
    table = top.table
    stands, layout = given(table.stands), table.layout or Layout.MINIMUM
    return Answers(
        name=given(table.name),
        stands=stands,
        height=answered[0].thickness if stands.lies else given(table.height),
        width=given(table.width),
        underside=given(table.underside),
        bays=answered,
        buses=buses,
        layout=layout,
        breadth=table.breadth,
        question=table.question,
        air=None if table.air is None else tuple(dict.fromkeys(table.air)),
        thermometers=table.thermometers is not False,
        dowels=table.dowels is True,
        water=None if water is None else _water(water.table),
        mail=None if mail is None else mail.table,
        mqtt=None if mqtt is None else mqtt.table,
    )


def _one(model: type[T], raw: object, name: str, report: Report) -> Part[T] | None:
    return None if raw is None else read_table(model, raw, path=(name,), report=report)


def _layers(part: Part[BayTable], *, report: Report) -> list[Part[LayerTable]]:
    return [
        read_table(LayerTable, item, path=(*part.path, "layers", index), report=report)
        for index, item in enumerate(part.table.layers or ())
    ]


def _water(table: WaterTable) -> WaterAnswer:
    return WaterAnswer(
        name=table.name or "catch tray",
        length=given(table.length),
        breadth=given(table.breadth),
        rim=given(table.rim),
        stop=given(table.stop),
        pump_needs=given(table.pump_needs),
        float_at=table.float_at,
    )


def _buses(
    raw: Mapping[str, object] | None, *, find_kind: FindKind, report: Report
) -> Mapping[Role, BusAnswer]:
    found = {}
    for name, table in (raw or {}).items():
        path: KeyPath = ("buses", name)
        if name not in set(Role):
            report.add(
                path,
                "there",
                expected=f"one of {', '.join(Role)}, for what hangs on the bus",
                remedy="Correct its name, or remove it.",
            )
            continue
        ours = {"driver", "addresses"}
        here = table if isinstance(table, dict) else {}
        part = read_table(
            RoleTable,
            {key: value for key, value in here.items() if key in ours}
            if isinstance(table, dict)
            else table,
            path=path,
            report=report,
        )
        options = {str(key): value for key, value in here.items() if key not in ours}
        role, driver = Role(name), part.table.driver
        if driver is None or not _can_read(driver, role, path, report=report):
            continue
        try:
            kind = find_kind(driver)
        except DriverError as error:
            report.add(
                (*path, "driver"),
                driver,
                expected=f"a driver that can be used ({str(error).rstrip('.')})",
                remedy="Name a driver that is installed, or install this one.",
            )
            continue
        options = options or usual_options(role, driver)
        check_driver_table(kind.Options, options, path=path, report=report)
        addresses = part.table.addresses or []
        for index, address in enumerate(addresses):
            check_driver_table(
                kind.Address, address, path=(*path, "addresses", index), report=report
            )
        found[role] = BusAnswer(driver, options, tuple(addresses))
    return found


def _can_read(driver: str, role: Role, path: KeyPath, *, report: Report) -> bool:
    if driver in DRIVERS[role]:
        return True
    report.add(
        (*path, "driver"),
        driver,
        expected=f"one of {', '.join(DRIVERS[role])}, by which {role} can be read",
        remedy="Name one of them; others can be written into the rig file afterwards.",
    )
    return False


def _check_size(table: AnswersTable, *, report: Report) -> None:
    lies = given(table.stands).lies
    key, other = ("breadth", "height") if lies else ("height", "breadth")
    if getattr(table, key) is None:
        report.add(
            (key,),
            MISSING,
            expected="millimetres as a bare number, more than 0"
            + (", from front to back" if lies else ""),
            remedy=f"Write for example {key} = 400.",
        )
    if getattr(table, other) is not None:
        why = "its layers are its height together" if lies else "its layers say how broad it is"
        report.add(
            (other,),
            getattr(table, other),
            expected=f"no {other} of one that is {quoted(given(table.stands))}: {why}",
            remedy=f"Remove {other}, or correct stands.",
        )


def _check_temperature(table: AnswersTable, *, report: Report) -> None:
    """Note pins that nothing would correct: resistance goes by temperature as much as by water."""
    if table.thermometers is False and table.air is not None and not table.air:
        report.add(
            ("thermometers",),
            False,
            expected="a temperature somewhere, for pins are corrected by one",
            remedy='Write thermometers = true, or air = ["dry"].',
        )


def _bays(
    table: AnswersTable,
    bays: list[tuple[Part[BayTable], list[Part[LayerTable]]]],
    *,
    report: Report,
) -> tuple[BayAnswer, ...]:
    width, lies = given(table.width), given(table.stands).lies
    widths = _widths([part.table.width for part, _ in bays], width)
    if widths is None:
        report.add(
            ("width",),
            width,
            expected="as much as the bays are wide together",
            remedy="Correct it or a bay's width; bays without one share what is left.",
        )
        widths = [width] * len(bays)
    made = []
    names: set[str] = set()
    for (part, layers), wide in zip(bays, widths, strict=True):
        bay = part.table
        key, other = ("across", "heights") if lies else ("heights", "across")
        along = getattr(bay, key)
        if given(bay.name) in names:
            report.add(
                (*part.path, "name"),
                bay.name,
                expected="a name that no other bay has",
                remedy="Rename one of the two.",
            )
        names.add(given(bay.name))
        if along is None:
            report.add(
                (*part.path, key),
                MISSING,
                expected="a list of millimetres "
                + ("from where the bay begins" if lies else "above the underside"),
                remedy=f"Write for example {key} = [100, 300].",
            )
        if getattr(bay, other) is not None:
            report.add(
                (*part.path, other),
                getattr(bay, other),
                expected=f"no {other} of one that is {quoted(given(table.stands))}",
                remedy=f"Write {key} in its place.",
            )
        answer = BayAnswer(
            given(bay.name),
            wide,
            tuple(
                LayerAnswer(
                    given(layer.table.name),
                    given(layer.table.material),
                    given(layer.table.thickness),
                )
                for layer in layers
            ),
            tuple(sorted(given(bay.depths))),
            tuple(sorted(along or ())),
            bay.control is True,
        )
        most = wide if lies else table.height
        _check_places(part.path, "depths", answer.depths, answer.thickness, report=report)
        _check_places(part.path, key, answer.along, most, report=report)
        if table.dowels is not True:
            _check_between(part.path, answer, report=report)
        made.append(answer)
    _check_thickness(made, bays, lies=lies, report=report)
    return tuple(made)


def _widths(said: list[float | None], width: float) -> list[float] | None:
    """The width of each bay, those without one sharing what is left; None if it does not add up."""
    left = width - sum(each for each in said if each is not None)
    open_ends = said.count(None)
    if not open_ends and not isclose(left, 0, abs_tol=SLACK):
        return None
    if open_ends and left <= SLACK:
        return None
    return [left / open_ends if each is None else each for each in said]


def _check_places(
    path: KeyPath, key: str, places: tuple[float, ...], most: float | None, *, report: Report
) -> None:
    wrong = [place for place in places if most is not None and place > most]
    twice = [one for one, other in pairwise(places) if one == other]
    for place in wrong:
        report.add(
            (*path, key),
            place,
            expected=f"millimetres as bare numbers, 0 to {number(most or 0)}",
            remedy=f"Correct {key}: that is outside the bay.",
        )
    for place in dict.fromkeys(twice):
        report.add(
            (*path, key),
            place,
            expected="each place once",
            remedy='Remove one; layout = "sceptic-proof" has two pairs at each place.',
        )


def _check_between(path: KeyPath, bay: BayAnswer, *, report: Report) -> None:
    for depth in filter(bay.is_between, bay.depths):
        report.add(
            (*path, "depths"),
            depth,
            expected="depths inside a layer: there one material ends and another begins, and it "
            "matters which the pins sit in",
            remedy="Go a little deeper or less deep, or write dowels = true.",
        )


def _check_thickness(
    made: list[BayAnswer],
    bays: list[tuple[Part[BayTable], list[Part[LayerTable]]]],
    *,
    lies: bool,
    report: Report,
) -> None:
    thick = {number(bay.thickness) for bay in made}
    if lies and len(thick) > 1:
        report.add(
            (*bays[1][0].path, "layers"),
            listed(sorted(thick)),
            expected="bays of one thickness where the specimen does not stand: it is its height",
            remedy="Correct the thicknesses of the layers.",
        )
