"""Reads when a wetting front reached each depth: all of it, or every mistake at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from longsoak.rigfile.cells import Cells, Range, read_text, to_name
from longsoak.rigfile.elapsed import LONGEST, TIMES, time_column
from longsoak.rigfile.report import MISSING, Written, listed, nearest, number, quoted, shown
from longsoak.vocabulary.proof import Json, ProofEntry
from longsoak.vocabulary.rig import Kind, Probe, Rig

DEPTH, UNCERTAINTY, PROBE = "depth_mm", "uncertainty_mm", "probe"
_DEEPEST = 1e4  # mm; a depth beyond is a slip of the pen or of the unit
_DEPTHS = Range(0.0, _DEEPEST, "a depth in mm from the wet face, above 0", "30", above=True)
_DOUBTS = Range(0.0, 1e3, "a standard uncertainty in mm, 0 to 1000", "0.8")
_SOONEST = 1.0  # s; nobody sees a front arrive sooner
_A_LINE_EACH = "a header line, then a line for each depth"
_HEADER = f"{DEPTH},time_min"


@dataclass(frozen=True, slots=True)
class Arrival:
    """A depth, and when the front reached it.

    `depth` counts from the wet face, mm; `uncertainty` is its standard uncertainty, mm, None if it
    is not known; `time` is since the face met the water, s, None if the front has not come yet.
    `probe` is None where the file itself tells the depth. `card` is the probe's newest one, None
    if it has none; it tells the depth if `by_card`.
    """

    depth: float
    uncertainty: float | None
    time: float | None
    probe: Probe | None = None
    card: ProofEntry | None = None
    by_card: bool = False


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What a file of arrivals holds.

    `elsewhere` counts the lines of other bays than the one asked for. `ignored` names columns that
    are not used.
    """

    arrivals: tuple[Arrival, ...]
    elsewhere: int
    ignored: tuple[str, ...]


def read_arrivals(
    path: Path,
    *,
    rig: Rig | None = None,
    cards: Mapping[str, ProofEntry] | None = None,
    bay: str | None = None,
) -> Arrivals:
    """Read a CSV file of arrivals.

    Parameters
    ----------
    path : Path
        UTF-8, commas, a header line, points as decimal marks. One of `TIMES`, and either `DEPTH`
        or `PROBE`, in any order; beside `DEPTH` there may be `UNCERTAINTY`. An empty time: not
        reached yet.
    rig : Rig or None
        The rig whose pins `PROBE` names, all of one bay.
    cards : mapping of str to ProofEntry
        The newest installation card of each probe that has one.
    bay : str or None
        Take only the pins of this bay; those of others are checked all the same.

    Raises
    ------
    RigFileError
        The file can't be read (line 0) or has mistakes: all of them, in file order.
    """
    return _Reader(str(path), rig, cards or {}, bay).read(
        read_text(path, what="a file of arrivals")
    )


class _Reader:
    """Reads one file and gathers what is wrong in it."""

    def __init__(
        self, file: str, rig: Rig | None, cards: Mapping[str, ProofEntry], bay: str | None
    ) -> None:
        self._cells = Cells(file)
        self._note = self._cells.note
        self._rig = rig
        self._probes = {} if rig is None else {probe.name: probe for probe in rig.probes}
        self._cards = cards
        self._bay = bay
        self._met: dict[str, int] = {}  # probes, by line
        self._bays: dict[str, int] = {}  # the line each was first met in
        self._elsewhere = 0

    def read(self, text: str) -> Arrivals:
        lines = list(self._cells.lines(text))
        found: list[Arrival] = []
        ignored: tuple[str, ...] = ()
        if not lines:
            remedy = f"Write for example {_HEADER} as the first line."
            self._note(1, "the file", Written("empty"), _A_LINE_EACH, remedy)
        else:
            (line, first), rows = lines[0], lines[1:]
            names = [cell.strip() for cell in first]
            time = self._checked_header(line, names)
            used = (time, DEPTH, UNCERTAINTY, PROBE)
            ignored = tuple(dict.fromkeys(name for name in names if name not in used))
            if time is not None:
                for number_of_line, cells in rows:
                    row = self._cells.row(number_of_line, names, cells)
                    arrival = None if row is None else self._arrival(number_of_line, time, row)
                    if arrival is not None:
                        found.append(arrival)
            if not rows and not self._cells.broken_off:
                remedy = "Add the arrivals."
                self._note(line, "the file", Written("a header only"), _A_LINE_EACH, remedy)
        self._cells.close()
        return Arrivals(tuple(found), self._elsewhere, ignored)

    def _checked_header(self, line: int, names: list[str]) -> str | None:
        """Name the column of times, if there is one and a column of depths or probes."""
        if self._cells.separated_otherwise(line, names):
            return None
        time = time_column(self._cells, line, names, example=_HEADER)
        if DEPTH in names and PROBE in names:
            self._note(
                line,
                PROBE,
                Written(f"there beside {DEPTH}"),
                "one column that tells the depth",
                f"Remove {DEPTH} to take it from the cards and the rig file, or rename {PROBE}.",
            )
        elif PROBE in names:
            self._check_probe_column(line, names)
        elif DEPTH in names:
            self._check_depth_column(line)
        else:
            either = f"one of the columns {DEPTH} and {PROBE}"
            meant = nearest(DEPTH, [name for name in names if name != time])
            remedy = to_name(DEPTH, meant) if meant else f"Write for example {_HEADER}."
            self._note(line, "the depth", MISSING, either, remedy)
        there = [name for name in (time, DEPTH, UNCERTAINTY, PROBE) if name in names]
        self._cells.header(line, names, needed=[name for name in there if name is not None])
        return time if DEPTH in names or PROBE in names else None

    def _check_probe_column(self, line: int, names: Sequence[str]) -> None:
        if self._rig is None:
            self._note(
                line,
                PROBE,
                Written("there without a rig file"),
                "a rig file that knows the probes",
                f"Add for example --rig rig.toml, or write depths into a column {DEPTH}.",
            )
        if UNCERTAINTY in names:
            self._note(
                line,
                UNCERTAINTY,
                Written(f"there beside {PROBE}"),
                f"it beside {DEPTH} alone: a probe's installation card tells it",
                f"Remove it, or write the depths into a column {DEPTH}.",
            )

    def _check_depth_column(self, line: int) -> None:
        if self._rig is not None:
            self._note(
                line,
                DEPTH,
                Written("there beside a rig file"),
                f"a column {PROBE}, for a rig file to tell the depths of",
                "Leave --rig out, or name the probes.",
            )

    def _arrival(self, line: int, time: str, row: Mapping[str, str]) -> Arrival | None:
        unit, each = time.removeprefix("time_"), TIMES[time]
        expected = (
            f"nothing if the front has not come yet, or a time in {unit}, 1 s or more after the "
            "face met the water"
        )
        within = Range(_SOONEST / each, LONGEST / each, expected, "5")
        at = self._cells.number(line, time, row[time], within) if row[time] else None
        after = None if at is None else at * each
        if PROBE in row:
            return self._of_probe(line, row[PROBE], after)
        depth = self._cells.number(line, DEPTH, row[DEPTH], _DEPTHS)
        written = row.get(UNCERTAINTY)
        doubt = self._cells.number(line, UNCERTAINTY, written, _DOUBTS) if written else None
        return None if depth is None else Arrival(depth, doubt, after)

    def _of_probe(self, line: int, name: str, after: float | None) -> Arrival | None:
        if self._rig is None:
            return None
        probe = self._probes.get(name)
        if probe is None:
            self._note_unknown(line, name)
            return None
        first = self._met.setdefault(name, line)
        if first != line:
            found = Written(f"{shown(name)!r} again, after line {first}")
            self._note(line, PROBE, found, "each probe once", "Remove one of the two lines.")
            return None
        if probe.kind is not Kind.PINS or probe.bay is None or probe.depth is None:
            self._note(
                line,
                PROBE,
                Written(f"{shown(name)!r}, which is of kind {quoted(probe.kind)}"),
                f"one of kind {quoted(Kind.PINS)}, which feel a front when it wets them",
                "Remove the line.",
            )
            return None
        if self._bay is None:
            self._note_other_bay(line, name, probe.bay)
        elif probe.bay != self._bay:
            self._elsewhere += 1
            return None
        card = self._cards.get(name)
        said = None if card is None else _number(card.content.get("depth"))
        depth = probe.depth if said is None else said
        if not 0.0 < depth <= _DEEPEST:
            where = "the rig file" if said is None else "its installation card"
            self._note(
                line,
                PROBE,
                Written(f"{shown(name)!r}, {number(depth)} mm deep"),
                "a depth above 0 mm from the wet face",
                f"Correct {where}, or remove the line.",
            )
            return None
        doubt = None if card is None else _number(card.content.get("depth_uncertainty"))
        return Arrival(
            depth,
            doubt if said is not None else None,
            after,
            probe=probe,
            card=card,
            by_card=said is not None,
        )

    def _note_unknown(self, line: int, name: str) -> None:
        pins = [probe.name for probe in self._probes.values() if probe.kind is Kind.PINS]
        meant = nearest(name, pins)
        hint = f"Did you mean {meant}?" if meant else f"It has the pins {listed(pins)}."
        if not name:
            hint = "Fill it in, or remove the line."
        found = shown(name) if name else Written("empty")
        self._note(line, PROBE, found, "a pair of pins of the rig file", hint)

    def _note_other_bay(self, line: int, name: str, bay: str) -> None:
        """Note the first pins of another bay: no one front runs through both."""
        self._bays.setdefault(bay, line)
        first = next(iter(self._bays))
        if bay != first and self._bays[bay] == line:
            self._note(
                line,
                PROBE,
                Written(f"{shown(name)!r}, in the bay {quoted(bay)}"),
                f"one of the bay {quoted(first)}, as in line {self._bays[first]}",
                "Fit one bay at a time: add --bay and its name.",
            )


def _number(value: Json) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
