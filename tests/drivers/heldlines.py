"""What the kernel holds of GPIO lines, faked at the interface of the library that is used."""

import gpiod
from gpiod.edge_event import EdgeEvent
from gpiod.line import Direction, Edge, Value

RISING, FALLING = EdgeEvent.Type.RISING_EDGE.value, EdgeEvent.Type.FALLING_EDGE.value


class Held:
    """What the kernel holds of the lines: the interface of `gpiod.LineRequest` that is used.

    A chip behind I2C or USB can't debounce, and one without an interrupt wire has no edges. The
    errors are those that Linux 6.1 gave for such a chip, and for the second kind from memory.
    """

    debounces = True
    has_edges = True

    def __init__(self, config: dict[int | str, gpiod.LineSettings]) -> None:
        for line in config.values():
            if line.edge_detection is not Edge.NONE and not self.has_edges:
                raise OSError(6, "No such device or address")
            if line.debounce_period and not self.debounces:
                raise ValueError(22, "Invalid argument")
        self.config = config
        self.lines = list(config)
        self.offsets = [line if isinstance(line, int) else 22 for line in config]
        self.values: dict[int | str, Value] = {
            name: line.output_value if line.direction is Direction.OUTPUT else Value.INACTIVE
            for name, line in config.items()
        }
        self.next_values: list[Value] = []  # what the float shows, look by look
        self.released = 0
        self.gone = False
        self._waiting: list[EdgeEvent] = []
        self._numbers: dict[int, int] = {}

    def edge(self, offset: int, *, at: float, rising: bool = True, dropped: int = 0) -> None:
        """Let an edge come at a time in s; `dropped` others before it were lost."""
        number = self._numbers.get(offset, 0) + 1 + dropped
        self._numbers[offset] = number
        kind = RISING if rising else FALLING
        self._waiting.append(EdgeEvent(kind, round(at * 1e9), offset, number, number))

    def wait_edge_events(self, timeout: float | None = None) -> bool:
        assert timeout == 0, "a poll may not wait for an edge"
        if self.gone:
            raise OSError(19, "No such device")
        return bool(self._waiting)

    def read_edge_events(self) -> list[EdgeEvent]:
        taken, self._waiting = self._waiting[:16], self._waiting[16:]
        return taken

    def get_value(self, line: int | str) -> Value:
        if self.next_values and line == 17:
            self.values[line] = self.next_values.pop(0)
        return self.values[line]

    def set_value(self, line: int | str, value: Value) -> None:
        assert self.config[line].direction is Direction.OUTPUT, "an input can't be set"
        if self.released:
            raise gpiod.RequestReleasedError
        if self.gone:
            raise OSError(19, "No such device")
        self.values[line] = value

    def release(self) -> None:
        self.released += 1
