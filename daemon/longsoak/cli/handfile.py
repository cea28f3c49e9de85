"""A CSV file of one round of readings by hand: `longsoak hand --csv`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from longsoak.core.handreadings import (
    GRAINS,
    PINS,
    UNITS,
    Place,
    Setting,
    Shown,
    hand_content,
    said_words,
    shown_on,
)
from longsoak.core.moments import moment_of
from longsoak.rigfile.cells import Cells, Range, read_text
from longsoak.rigfile.report import Written, listed, shown
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import HAND, About, LogbookEntry, Subject
from longsoak.vocabulary.rig import Bay, Rig

NEEDED = ("bay", "depth_mm", "height_mm", "value")
MAY = (
    *("across_mm", "unit", "at", "wood_temperature", "note", "same_hole"),
    *("round", "meter", "scale", "correction_temperature", "uncertainty", "grain", "pins"),
)
MOST_LINES = 500  # a round takes a day
_CELSIUS = Range(-40.0, 80.0, "a temperature, -40 to 80 degC", "20.5")
_FIGURE = Range(0.0, 1e13, "a standard uncertainty in the unit of the value", "0.5", above=True)
_CHOICES = {"unit": UNITS, "grain": GRAINS[1:], "pins": PINS[1:], "same_hole": ("yes", "no")}
_EACH = "a header line, then a line for each place"


@dataclass(frozen=True, slots=True)
class Usual:
    """What a line holds that does not say otherwise."""

    setting: Setting
    unit: str
    wood_temperature: float | None
    note: str
    by: str
    at_ms: int
    now_ms: int
    same_hole: bool


def entries_in(path: Path, rig: Rig, usual: Usual) -> list[LogbookEntry]:
    """The entries of a round, in the order of the file.

    Parameters
    ----------
    path : Path
        UTF-8, commas, a header line, points as decimal marks.
    rig : Rig
        Whose bays the readings were taken in.
    usual : Usual
        What a line holds that has no cell for it.

    Raises
    ------
    RigFileError
        The file can't be read (line 0) or has mistakes: all of them, in file order.
    """
    cells = Cells(str(path))
    lines = list(cells.lines(read_text(path, what="a file of readings")))
    if not lines:
        cells.note(1, "the file", Written("empty"), _EACH, f"Begin it with {','.join(NEEDED)}")
        cells.close()
    (first, header), rows = lines[0], lines[1:]
    names = [cell.strip() for cell in header]
    if not cells.separated_otherwise(first, names):
        cells.header(first, names, needed=NEEDED)
        for name in dict.fromkeys(names):
            if name in MAY and names.count(name) > 1:
                cells.twice(first, name)
            elif name not in (*NEEDED, *MAY):
                known = listed((*NEEDED, *MAY))
                cells.note(first, name or "a column", Written("unknown"), known, "Rename it.")
    cells.close()  # without its columns a file is all mistakes
    if not 0 < len(rows) <= MOST_LINES:
        found = Written("a header only" if not rows else f"{len(rows)} lines")
        cells.note(first, "the file", found, f"{_EACH}, {MOST_LINES} at most", "Add or take away.")
    reader = _Lines(cells, rig, usual)
    for line, written in rows:
        if (row := cells.row(line, names, written)) is not None:
            reader.read(line, row)
    cells.close()
    return reader.entries


class _Lines:
    def __init__(self, cells: Cells, rig: Rig, usual: Usual) -> None:
        self._cells = cells
        self._bays = {bay.name: bay for bay in rig.specimen.bays}
        self._height = rig.specimen.height
        self._usual = usual
        self._taken: dict[tuple[str, str, Place], int] = {}  # the line that has a place
        self.entries: list[LogbookEntry] = []

    def read(self, line: int, row: Mapping[str, str]) -> None:
        """One line into an entry, or all that is wrong with it into notes."""
        usual = self._usual
        bay = self._bay(line, row["bay"])
        place = self._place(line, row, bay)
        showed = self._shown(line, row)
        setting = self._setting(line, row, showed)
        wood = self._number(line, row, "wood_temperature", _CELSIUS, usual.wood_temperature)
        at_ms = self._at(line, row)
        same = self._word(line, row, "same_hole", "yes" if usual.same_hole else "no")
        if bay is None or place is None or showed is None or setting is None or at_ms is None:
            return
        if (before := self._taken.get((setting.round, bay.name, place))) is not None:
            found = Written(f"that of line {before} again")
            self._cells.note(line, "the place", found, "each once in a round", "Remove a line.")
            return
        self._taken[setting.round, bay.name, place] = line
        note = row.get("note") or usual.note
        content = hand_content(
            place, showed, setting, wood_temperature=wood, note=note, same_hole=same == "yes"
        )
        self.entries.append(
            LogbookEntry(
                asked_utc_ms=usual.now_ms,
                at_utc_ms=at_ms,
                by=usual.by,
                says=said_words(bay.name, content),
                kind=HAND,
                subject=Subject(About.BAY, bay.name),
                content=content,
            )
        )

    def _bay(self, line: int, cell: str) -> Bay | None:
        if cell not in self._bays:
            known = listed(list(self._bays))
            self._cells.note(line, "bay", shown(cell), f"one of {known}", "Write a bay's name.")
        return self._bays.get(cell)

    def _place(self, line: int, row: Mapping[str, str], bay: Bay | None) -> Place | None:
        thick = 1e5 if bay is None else bay.thickness
        start, end = (0.0, 1e5) if bay is None else (bay.start, bay.end)
        deep = Range(0.0, thick, f"mm from the wet face, 0 to {thick:g}", "30")
        high = Range(0.0, self._height, f"mm above the underside, 0 to {self._height:g}", "120")
        aside = Range(start, end, f"mm from the left edge, {start:g} to {end:g}", f"{start:g}")
        depth = self._cells.number(line, "depth_mm", row["depth_mm"], deep)
        height = self._cells.number(line, "height_mm", row["height_mm"], high)
        across = self._number(line, row, "across_mm", aside, None)
        return None if depth is None or height is None else Place(depth, height, across)

    def _shown(self, line: int, row: Mapping[str, str]) -> Shown | None:
        unit = self._word(line, row, "unit", self._usual.unit)
        try:
            return None if unit is None else shown_on(row["value"], unit=unit)
        except RequestError:
            expected = "what the meter shows, as 17.5, >60 or 120 MOhm"
            self._cells.note(line, "value", shown(row["value"]), expected, "Write what it showed.")
            return None

    def _setting(self, line: int, row: Mapping[str, str], showed: Shown | None) -> Setting | None:
        usual = self._usual.setting
        grain, pins = (self._word(line, row, n, getattr(usual, n)) for n in ("grain", "pins"))
        setting = replace(
            usual,
            round=row.get("round") or usual.round,
            meter=row.get("meter") or usual.meter,
            scale=row.get("scale") or usual.scale,
            correction_temperature=self._number(
                line, row, "correction_temperature", _CELSIUS, usual.correction_temperature
            ),
            uncertainty=self._number(line, row, "uncertainty", _FIGURE, usual.uncertainty),
        )
        missing = [] if setting.meter else ["meter"]
        if not setting.scale and showed is not None and showed.unit == "%":
            missing.append("scale")
        for name in missing:
            remedy = f"Add a column {name}, or say it for all with --{name}."
            self._cells.note(line, name, Written("missing"), "it in words", remedy)
        if missing or grain is None or pins is None:
            return None
        return replace(setting, grain=grain, pins=pins)

    def _at(self, line: int, row: Mapping[str, str]) -> int | None:
        if not (cell := row.get("at", "")):
            return self._usual.at_ms
        try:
            return moment_of(cell, now_ms=self._usual.now_ms)
        except RequestError:
            self._cells.note(line, "at", shown(cell), "a time, UTC", "Write 2026-05-04 14:20.")
            return None

    def _number(
        self, line: int, row: Mapping[str, str], name: str, within: Range, usual: float | None
    ) -> float | None:
        cell = row.get(name, "")
        return self._cells.number(line, name, cell, within) if cell else usual

    def _word(self, line: int, row: Mapping[str, str], name: str, usual: str) -> str | None:
        """One of the words a column takes; None and a mistake if it is none of them."""
        cell, allowed = row.get(name) or usual, _CHOICES[name]
        if cell in allowed or (not cell and name != "unit"):
            return cell
        expected = f"one of {listed(_as_list(allowed))}"
        self._cells.note(line, name, shown(cell), expected, "Write one of them.")
        return None


def _as_list(words: Sequence[str]) -> list[str]:
    return list(words)
