"""The real programs the demo starts, each with a log file of its own."""

import asyncio
import signal
from asyncio.subprocess import Process
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

_LAST_LINES = 8


class Child:
    """A program that should run until it is told to stop.

    Parameters
    ----------
    name : str
        What it is called in messages.
    command : sequence of str
        The program and its arguments.
    log : Path
        Gets everything it prints; what was there is lost.
    clean : sequence of int
        Exit codes that mean it stopped as told; -15 is "ended by SIGTERM itself".
    """

    def __init__(
        self, name: str, command: Sequence[str], *, log: Path, clean: Sequence[int] = (0,)
    ) -> None:
        self.name = name
        self._command = list(command)
        self._log = log
        self._clean = frozenset(clean)
        self._process: Process | None = None

    async def start(self) -> None:
        """Start the program.

        Raises
        ------
        OSError
            It can't be started.
        """
        with self._log.open("wb") as log:
            self._process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=log,
                stderr=asyncio.subprocess.STDOUT,
                # Out of the terminal's group: on Ctrl-C the demo stops its children itself, in
                # order, and a second signal from the terminal would only confuse them.
                start_new_session=True,
            )

    async def died(self) -> str:
        """Wait until the program ends, and say so."""
        if self._process is None:
            raise RuntimeError(f"{self.name} was never started")
        code = await self._process.wait()
        return self._told(f"ended by itself with {_exit(code)}")

    async def stop(self, *, patience: float) -> str | None:
        """Ask the program to stop, wait `patience` seconds, then make it.

        Returns
        -------
        str or None
            What was wrong with the way it stopped.
        """
        process = self._process
        if process is None or process.returncode is not None:
            return None
        with suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        try:
            async with asyncio.timeout(patience):
                code = await process.wait()
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
            return self._told(f"did not stop within {patience:g} s and was killed")
        # Ended by the signal before it had anything to say: it had not begun, so it lost nothing.
        unborn = code == -signal.SIGTERM and self._log.stat().st_size == 0
        clean = unborn or code in self._clean
        return None if clean else self._told(f"stopped with {_exit(code)}")

    def _told(self, what: str) -> str:
        lines = self._log.read_text(encoding="utf-8", errors="replace").splitlines()
        last = "".join(f"\n    {line}" for line in lines[-_LAST_LINES:])
        return f"{self.name} {what}. Its log, {self._log}, ends:{last or ' (nothing in it)'}"


def _exit(code: int) -> str:
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"
