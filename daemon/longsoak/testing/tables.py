"""Whether a driver's two tables of the rig file are checked, and explained, by its models."""

from collections.abc import Mapping

from pydantic import BaseModel

from longsoak.driver import BusKind, BusSettings
from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.lines import Lines
from longsoak.rigfile.report import Report
from longsoak.testing.handle import fail
from longsoak.vocabulary.errors import RigFileError

# What a person may have written in place of any value.
_ODD: tuple[object, ...] = (
    None, "", "x", "\0", "ä" * 1000, 0, -1, 10**30, 0.5, float("nan"), True, [], ["x"], {},
    {"x": 1},
)  # fmt: skip
_STRANGE = "no_such_key"


def check_models(kind: BusKind, settings: BusSettings) -> None:
    """See that `Options` and `Address` take what is right and tell what isn't.

    Parameters
    ----------
    kind : BusKind
        The driver.
    settings : BusSettings
        Settings that are right.
    """
    _check(kind.Options, settings.options, name="Options")
    for channel in settings.channels:
        _check(kind.Address, channel.address, name="Address")


def _check(model: type[BaseModel], good: Mapping[str, object], *, name: str) -> None:
    for field, info in model.model_fields.items():
        if not info.description:
            fail(f"{name}.{field} has no description, which is what a mistake says was expected")
    _tried(model, good, name=name, right=True)
    if not _tried(model, {**good, _STRANGE: 1}, name=name):
        fail(f"{name} took the unknown key {_STRANGE!r}, expected extra='forbid'")
    for key in model.model_fields:
        _tried(model, {other: value for other, value in good.items() if other != key}, name=name)
        for odd in _ODD:
            _tried(model, {**good, key: odd}, name=name)


def _tried(
    model: type[BaseModel], table: Mapping[str, object], *, name: str, right: bool = False
) -> bool:
    """Whether the rig file's own check found a mistake, with words for it."""
    report = Report("rig.toml", Lines(""))
    try:
        check_driver_table(model, table, path=(), report=report)
        report.close()
    except RigFileError as error:
        if right:
            fail(f"{name} refused what the bench opens the bus with: {error}", cause=error)
        for mistake in error.mistakes:
            if not mistake.expected.strip() or not mistake.remedy.strip():
                fail(f"{name} does not say what is expected: {mistake}", cause=error)
        return True
    except Exception as error:  # whatever a validator may raise
        fail(
            f"{name} raised {error!r} for {dict(table)!r}, expected a ValueError in a validator",
            cause=error,
        )
    return False
