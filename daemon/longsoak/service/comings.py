"""Buses and probes that come and go: each change is told once."""

from collections.abc import Iterator

from longsoak.service.buses import Pass
from longsoak.vocabulary.sample import Missing

Told = tuple[str, str, str]  # kind, subject and words of an event


class Comings:
    """Remembers which buses are down and which probes are absent, and why."""

    def __init__(self) -> None:
        self._absent: dict[str, str] = {}
        self._down: dict[str, str] = {}

    def look(self, taken: Pass, *, all_well: bool) -> Iterator[Told]:
        """What a pass tells that is new; `all_well` is whether each of its readings is a pass."""
        if taken.down is not None:
            if self._down.get(taken.bus) != taken.down:  # one that opens only to be lost again too
                yield "bus", taken.bus, f"down: {taken.down}"
                self._down[taken.bus] = taken.down
            return
        if taken.opened is not None:
            yield "bus", taken.bus, f"open: {taken.opened}"
        self._down.pop(taken.bus, None)
        if self._absent or not all_well:
            yield from self._absences(taken)

    def _absences(self, taken: Pass) -> Iterator[Told]:
        for sample in taken.samples:
            before = self._absent.get(sample.probe)
            if not isinstance(sample, Missing):
                if before is not None:
                    del self._absent[sample.probe]
                    yield "probe", sample.probe, "answers again"
            elif before != sample.why.value:
                self._absent[sample.probe] = sample.why.value
                detail = f": {sample.detail}" if sample.detail else ""
                yield "probe", sample.probe, f"{sample.why.value}{detail}"
