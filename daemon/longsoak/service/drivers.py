"""Finding the driver a rig file names, among all that are installed."""

from difflib import get_close_matches
from functools import cache
from pathlib import Path

from longsoak.driver import BusKind
from longsoak.rigfile.load import check, read
from longsoak.service.installed import everyones, offered
from longsoak.vocabulary.errors import DriverError
from longsoak.vocabulary.rig import Rig

GROUP = "longsoak.drivers"


@cache
def find_kind(name: str) -> BusKind:
    """The driver called `name`.

    Raises
    ------
    DriverError
        No such driver; or it is there but failed to import, with the cause; or it is not shaped
        like one.
    """
    point = offered(GROUP, name)
    if point is None:
        found = everyones(GROUP)
        near = get_close_matches(name, found, n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise DriverError(
            f"there is no driver {name!r}; installed: {', '.join(sorted(found))}.{hint}"
        )
    try:
        kind = point.load()
    except ModuleNotFoundError as error:
        raise DriverError(
            f"the driver {name!r} needs the Python package {error.name!r}, which is not "
            f"installed. Install it with: pip install 'longsoak[{name}]'"
        ) from error
    except Exception as error:  # a third party's module may fail in any way
        raise DriverError(f"the driver {name!r} failed to import: {error!r}") from error
    lacking = [part for part in ("Options", "Address", "open_bus") if not hasattr(kind, part)]
    if lacking:
        raise DriverError(f"the driver {name!r} has no {', '.join(lacking)}; it is no bus driver")
    return kind  # type: ignore[no-any-return]  # an entry point's object has no static type


def load_rig(path: Path) -> tuple[Rig, str]:
    """Read and check a rig file, its drivers' parts included; return its whole text as well.

    Raises
    ------
    RigFileError
        With every mistake in it.
    """
    source = read(path)
    return check(source, file=str(path), find_kind=find_kind), source.text


def installed_kinds() -> dict[str, BusKind | None]:
    """Every installed driver by its name; None for one that can't be used here."""
    found: dict[str, BusKind | None] = {}
    for name in sorted(everyones(GROUP)):
        try:
            found[name] = find_kind(name)
        except DriverError:
            found[name] = None
    return found
