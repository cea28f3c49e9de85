"""Lines of a GPIO chip as files, for processes that are started with this folder in PYTHONPATH.

No chip is here: what the kernel holds of the lines is faked, at the interface of the library that
is used, and everything above it is what ships. A line is a file of its number in `GPIO_LINES`;
lines that were let go are off, as a pull-down makes them.
"""

import os
from pathlib import Path

import gpiod
from gpiod.line import Direction, Value

_FOLDER = Path(os.environ["GPIO_LINES"])


class _Held:
    def __init__(self, config: dict[int, gpiod.LineSettings]) -> None:
        self.lines = self.offsets = list(config)
        self._outputs = [n for n, line in config.items() if line.direction is Direction.OUTPUT]
        self._let_go()

    def _let_go(self) -> None:
        for line in self._outputs:
            (_FOLDER / str(line)).write_text("0")

    def wait_edge_events(self, timeout: float | None = None) -> bool:
        return timeout is None

    def get_value(self, line: int) -> Value:
        return Value.ACTIVE if (_FOLDER / str(line)).read_text() == "1" else Value.INACTIVE

    def set_value(self, line: int, value: Value) -> None:
        (_FOLDER / str(line)).write_text(str(value.value))

    def release(self) -> None:
        self._let_go()


def _request_lines(_: str, config: dict[int, gpiod.LineSettings], **__: object) -> _Held:
    return _Held(config)


gpiod.request_lines = _request_lines  # type: ignore[assignment]  # as far as the driver uses it
