"""What installed packages offer under a name of ours: commands and drivers."""

from collections.abc import Mapping
from functools import cache
from importlib.metadata import EntryPoint, distribution, entry_points


def offered(group: str, name: str) -> EntryPoint | None:
    """The entry point of that name, our own before anybody else's; None if nobody has one.

    Our own is found without going through all that is installed, which takes milliseconds.
    """
    return _own(group).get(name) or everyones(group).get(name)


def everyones(group: str) -> Mapping[str, EntryPoint]:
    """All entry points of a group, by name."""
    return {point.name: point for point in entry_points(group=group)} | _own(group)


@cache
def _own(group: str) -> dict[str, EntryPoint]:
    found = distribution("longsoak").entry_points.select(group=group)
    return {point.name: point for point in found}
