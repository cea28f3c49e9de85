"""The folder a demo lives in: laid out, kept from one start to the next, or begun afresh."""

import fcntl
import os
import shutil
from pathlib import Path

from longsoak_demo.keeping import load, save
from longsoak_demo.physics import RenderPair
from longsoak_demo.rigtext import rig_text

_MARKER = "invented-demo.txt"
_MARKER_SAYS = "A demo rig of Longsoak. Everything recorded in this folder is invented.\n"


class FolderError(Exception):
    """The folder can't be used; the message says why and what to do."""


class DemoFolder:
    """A demo's folder, held for this process alone until `release`.

    Parameters
    ----------
    path : Path
        The folder; made if it isn't there.
    fresh : bool
        Whether to remove what an earlier demo left in it.

    Raises
    ------
    FolderError
        It holds something else than a demo, another demo runs in it, or it can't be written to.
    """

    def __init__(self, path: Path, *, fresh: bool) -> None:
        self.path = path.resolve()
        try:
            self._claim(fresh=fresh)
        except OSError as error:
            raise FolderError(f"{self.path}: can't be used: {error.strerror or error}.") from error
        self.rig_file = self.path / "rig.toml"
        self._state = self.path / "state.json"

    def _claim(self, *, fresh: bool) -> None:
        self.path.mkdir(parents=True, exist_ok=True)
        marker = self.path / _MARKER
        if not marker.exists() and any(self.path.iterdir()):
            raise FolderError(
                f"{self.path}: there is something in it, but no demo ({_MARKER} is missing). "
                "Name an empty folder or a new one."
            )
        self._lock = os.open(marker, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(self._lock)
            raise FolderError(
                f"{self.path}: another demo is running in it. Stop that one, or name another "
                "folder."
            ) from error
        self.had_record = (self.path / "record").exists()
        os.pwrite(self._lock, _MARKER_SAYS.encode(), 0)
        if fresh:
            self.had_record = False
            for entry in self.path.iterdir():
                if entry.is_dir() and not entry.is_symlink():
                    shutil.rmtree(entry)
                elif entry.name != _MARKER:  # it is the lock
                    entry.unlink()
        for leftover in ("ports", "w1", "iio", "hwmon"):  # dead links, if the last demo was killed
            shutil.rmtree(self.path / leftover, ignore_errors=True)

    def lay_out(self, *, page: str | None) -> None:
        """Write the rig file and make the folder for the logs."""
        (self.path / "log").mkdir(exist_ok=True)
        draft = self.rig_file.with_suffix(".new")
        draft.write_text(rig_text(self.path, page=page), encoding="utf-8")
        draft.replace(self.rig_file)

    def log(self, name: str) -> Path:
        """Where the program called `name` writes what it has to say."""
        return self.path / "log" / f"{name}.txt"

    def pair(self) -> tuple[RenderPair, str | None]:
        """The simulated rig as it was left, or a dry one; and a word on why, if it was lost."""
        try:
            return load(self._state), None
        except FileNotFoundError:
            return RenderPair(), None
        except (OSError, ValueError) as error:
            return RenderPair(), f"{self._state} can't be used, {error}; starting dry."

    def keep(self, pair: RenderPair) -> None:
        """Save the simulated rig's state for the next start."""
        save(pair, self._state)

    def release(self) -> None:
        """Let another demo use the folder."""
        os.close(self._lock)
