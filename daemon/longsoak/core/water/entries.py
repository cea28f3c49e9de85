"""Top-ups and service windows as entries of the logbook: put into one, and judged. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import isfinite

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.water.reconcile import ByHand
from longsoak.core.water.vessel import held
from longsoak.core.wording import time_words
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import SERVICE, TOP_UP, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Reservoir, Rig

LONGEST_WINDOW_MS = 4 * 3_600_000
LONGEST_SOURCE = 200  # characters
MOST_LITRES = 100_000.0  # L: more than any reservoir under a wall
_NUMBERS = ("litres", "before_mm", "after_mm", "litres_by_can")


def top_up_content(
    *,
    litres: float | None,
    before_mm: float | None = None,
    after_mm: float | None = None,
    litres_by_can: float | None = None,
    source: str = "",
) -> dict[str, Json]:
    """What an entry of the kind "top-up" holds beside its words.

    Parameters
    ----------
    litres : float or None
        What was added, L, by the level and the depth table; below 0 was drawn off.
    before_mm, after_mm : float or None
        The settled level before and after it.
    litres_by_can : float or None
        What was added, by the can's mark.
    source : str
        Where the water came from.
    """
    return {
        "litres": litres,
        "before_mm": before_mm,
        "after_mm": after_mm,
        "litres_by_can": litres_by_can,
        "source": source,
    }


def top_up_said(content: Mapping[str, Json], *, clearance: float | None = None) -> list[str]:
    """What a top-up's entry holds of levels and can, part by part; the clearance after it in mm."""
    parts = [
        f"{float(str(level)):.1f} mm {when}"
        for name, when in (("before_mm", "before"), ("after_mm", "after"))
        if (level := content[name]) is not None
    ]
    if clearance is not None:
        parts.append(f"clearance {clearance:.1f} mm")
    if (by_can := content["litres_by_can"]) is not None:
        parts.append(f"{float(str(by_can)):g} L by the can")
    return parts


def top_up_words(content: Mapping[str, Json], *, clearance: float | None = None) -> str:
    """The sentence of a top-up's entry: litres, source, levels before and after, and the can."""
    by_can, source = content["litres_by_can"], str(content["source"])
    litres = float(str(by_can if content["litres"] is None else content["litres"]))
    done = f"Topped up by {litres:.1f} L" if litres >= 0 else f"{-litres:.1f} L less in the tray"
    parts = ", ".join(top_up_said(content, clearance=clearance))
    whence = f", {source}" if source else ""
    return f"{done}{whence}: {parts}." if parts else f"{done}{whence}."


def wrong_top_up(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "top-up"; None if nothing is."""
    content = entry.content
    if content.keys() != {*_NUMBERS, "source"}:
        return "A top-up has litres, levels before and after, litres by the can and a source"
    for name in _NUMBERS:
        number = content[name]
        if number is None:
            continue
        if not isinstance(number, int | float) or isinstance(number, bool) or not isfinite(number):
            return f"The {name} of a top-up is a number, or left out"
        if abs(number) > MOST_LITRES or (name == "litres_by_can" and number <= 0):
            return f"{number:g} can't be the {name} of a top-up"
    if content["litres"] is None and content["litres_by_can"] is None:
        return "A top-up has litres, by the level or by the can"
    source = content["source"]
    if not isinstance(source, str) or len(source) > LONGEST_SOURCE or not source.isprintable():
        return f"The source of a top-up is one line of up to {LONGEST_SOURCE} characters"
    return None


def too_much(litres: float, reservoir: Reservoir) -> str | None:
    """What to say of litres poured or drawn off that the reservoir can't hold; None if it can."""
    most, _ = held(reservoir.rim, reservoir.depth_table)
    if abs(litres) <= most:
        return None
    return (
        f"{abs(litres):g} L can't be: up to its rim {reservoir.name} holds {most:.3g} L. "
        "Write what one top-up was, in litres"
    )


def impossible_top_up(entry: LogbookEntry, rig: Rig) -> str | None:
    """What can't be of a top-up that `wrong_top_up` found nothing wrong with, on this rig."""
    if rig.reservoir is None:
        return None
    said = (entry.content[name] for name in ("litres_by_can", "litres"))
    litres = (float(str(number)) for number in said if number is not None)
    return next(filter(None, (too_much(each, rig.reservoir) for each in litres)), None)


def poured_by_hand(entries: Iterable[LogbookEntry]) -> list[ByHand]:
    """The top-ups that count, oldest first, by the can where that was told; no water drawn off."""
    found = []
    for entry in entries:
        if entry.kind == TOP_UP and not entry.corrected_by:
            by_can, by_level = entry.content["litres_by_can"], entry.content["litres"]
            litres = float(str(by_level if by_can is None else by_can))
            if litres > 0.0:
                guided = by_can is None and entry.content["before_mm"] is not None
                found.append(ByHand(speaks_of_ms(entry), litres, entry.number, guided))
    return sorted(found)


def window_content(until_ms: int) -> dict[str, Json]:
    """What an entry of the kind "service window" holds: until when, UTC ms."""
    return {"until_ms": until_ms}


def wrong_window(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "service window"; None if nothing."""
    until = entry.content.get("until_ms")
    if (
        entry.content.keys() != {"until_ms"}
        or not isinstance(until, int)
        or isinstance(until, bool)
    ):
        return "A service window has a time at which it ends"
    if until < entry.at_utc_ms:
        return (
            f"The service window ends {time_words(until)}, which is before it begins, "
            f"{time_words(entry.at_utc_ms)}"
        )
    if until > entry.at_utc_ms + LONGEST_WINDOW_MS:
        return "A service window lasts four hours at most: open another one after it"
    return None


def windows(entries: Iterable[LogbookEntry]) -> list[LogbookEntry]:
    """The service windows that count, the newest first; `entries` may be of any kind.

    One that was ended says what was done when it was opened, and what at its end.
    """
    every = {entry.number: entry for entry in entries if entry.kind == SERVICE}
    found = [_whole(entry, every) for entry in every.values() if not entry.corrected_by]
    return sorted(found, key=lambda entry: -entry.number)


def _whole(window: LogbookEntry, every: Mapping[int, LogbookEntry]) -> LogbookEntry:
    opened = window
    while opened.corrects is not None and opened.corrects in every:
        opened = every[opened.corrects]
    if opened is window:
        return window
    return replace(window, says=f"{opened.says.rstrip('.')}; at its end: {window.says}")


def window_at(entries: Sequence[LogbookEntry], utc_ms: int) -> LogbookEntry | None:
    """The service window that is open at a time, of those that count."""
    return next((each for each in entries if begins_ms(each) <= utc_ms < ends_ms(each)), None)


def begins_ms(window: LogbookEntry) -> int:
    """When it began, UTC ms, by a clock set right."""
    return speaks_of_ms(window)


def ends_ms(window: LogbookEntry) -> int:
    """When it ends, UTC ms, as long after its beginning as was said."""
    return begins_ms(window) + int(str(window.content["until_ms"])) - window.at_utc_ms


def as_flags(entries: Iterable[LogbookEntry]) -> list[HandFlag]:
    """What the windows that count make of the readings in them: not evaluated, of the whole rig."""
    return [
        HandFlag(
            window.number,
            window.subject,
            begins_ms(window),
            ends_ms(window),
            Flag.NOT_EVALUATED,
            window.by,
            window.says,
            window.kept_utc_ms + window.clock_off_ms,
            Reason.SERVICE,
        )
        for window in windows(entries)
        if ends_ms(window) > begins_ms(window)
    ]


def opened_window(
    *, by: str, says: str, at_ms: int, lasts_ms: int, asked_ms: int | None = None
) -> LogbookEntry:
    """The entry that opens a window at a time, asked for then or later."""
    return LogbookEntry(
        asked_utc_ms=at_ms if asked_ms is None else asked_ms,
        at_utc_ms=at_ms,
        by=by,
        says=says,
        kind=SERVICE,
        content=window_content(at_ms + lasts_ms),
    )


def ended_window(window: LogbookEntry, *, by: str, says: str, utc_ms: int) -> LogbookEntry:
    """The entry that ends a window now; it corrects the first, which stays as it was."""
    began = begins_ms(window)
    return LogbookEntry(
        asked_utc_ms=utc_ms,
        at_utc_ms=began,
        by=by,
        says=says,
        kind=SERVICE,
        corrects=window.number,
        content=window_content(min(max(utc_ms, began), ends_ms(window))),
    )
