"""The first page of a rig: its file as it lies there now, checked whenever it has changed."""

from pathlib import Path

from longsoak.vocabulary.errors import RigFileError
from longsoak_dashboards.sheets import HERE
from longsoak_dashboards.view.first import FirstPage, ready, with_mistakes, without_file

Stamp = tuple[int, int]


def stamp_of(path: Path) -> Stamp | None:
    """What changes whenever a file does; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


class Firsts:
    """Makes the first page; a file that has not changed is not checked again."""

    def __init__(self, rig_file: Path) -> None:
        self._rig_file = rig_file
        self._made: tuple[Stamp | None, FirstPage] | None = None

    def page(self) -> FirstPage:
        """Which of its states it is in, and what that says."""
        stamp = stamp_of(self._rig_file)
        if self._made is None or self._made[0] != stamp:
            self._made = (stamp, self._make())
        return self._made[1]

    def _make(self) -> FirstPage:
        # Drivers and all checks are loaded only here: pages of a rig that is measured need none.
        from longsoak.service.drivers import load_rig

        path = self._rig_file
        if not path.exists():
            return without_file(path, (HERE / "static" / "smallest.toml").read_text())
        try:
            rig, text = load_rig(path)
        except RigFileError as error:
            return with_mistakes(path, error.mistakes)
        return ready(path, rig, text)
