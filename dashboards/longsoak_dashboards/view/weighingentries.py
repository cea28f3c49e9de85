"""The specimen on a scale, from a form into an entry of the logbook and back."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from longsoak.core.logbook import text_of
from longsoak.core.weighings import READINGS, Weighing, weighing_content, weighings
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import WEIGHING, LogbookEntry
from longsoak_dashboards.view.logasked import corrected_number, moment_said
from longsoak_dashboards.view.waterentries import number_said

WEIGHED = "weighed"  # what a form writes
RAN = "ran"  # of the pump
READ = tuple(f"reading{n}" for n in range(1, READINGS + 1))
_MASSES = ("tare_kg", "gear_kg", "offset_kg")
OWN_FIELDS = (*READ, "readings", "scale", *_MASSES, "pump", "drained_min")
FIELDS = ("what", "text", "at", "by", "corrects", "once", *OWN_FIELDS)


def weighing_entry(
    said: Mapping[str, str], photos: Sequence[str], *, written_ms: int, now_ms: int
) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    photos : sequence of str
        Digests of the photos that came with it.
    written_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing, or is no number.
    """
    drained = number_said(said["drained_min"], "number of minutes")
    if drained is None:
        raise RequestError("Say for how many minutes it drained. Nothing was kept.")
    # More than the usual ones stand in one field, with semicolons: a comma may be of decimals.
    read = [*(said[name] for name in READ), *said["readings"].split(";")]
    readings = [number_said(words.strip(), "mass in kg") for words in read]
    tare, gear, offset = (number_said(said[name], "mass in kg") or 0.0 for name in _MASSES)
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=moment_said(said["at"], written_ms=written_ms),
        by=said["by"],
        says=text_of(said["text"]),
        kind=WEIGHING,
        corrects=corrected_number(said["corrects"]),
        photos=tuple(photos),
        content=weighing_content(
            [reading for reading in readings if reading is not None],
            scale=said["scale"],
            tare=tare,
            gear=gear,
            offset=offset,
            pump_off=said["pump"] != RAN,
            drained_min=drained,
        ),
    )


def said_again(entry: LogbookEntry) -> dict[str, str]:
    """What the form held that an entry came from, to be set right."""
    (weighing,) = weighings([replace(entry, corrected_by=())])
    read = [f"{reading:.15g}" for reading in weighing.readings]
    return {
        **dict(zip(READ, read, strict=False)),
        "readings": "; ".join(read[len(READ) :]),
        "text": weighing.says,
        "scale": weighing.scale,
        "tare_kg": _unless_nothing(weighing.tare),
        "gear_kg": _unless_nothing(weighing.gear),
        "offset_kg": _unless_nothing(weighing.offset),
        "pump": "" if weighing.pump_off else RAN,
        "drained_min": f"{weighing.drained_min:.15g}",
        "what": WEIGHED,
    }


def setting_words(weighing: Weighing) -> str:
    """How the last one was weighed, for the next to be like it; not what it came to."""
    pump = "off" if weighing.pump_off else "on"
    return (
        f"The last time it was weighed on {weighing.scale}, with {weighing.gear:g} kg of gear, the "
        f"pump {pump}, drained for {weighing.drained_min:g} min."
    )


def _unless_nothing(mass: float) -> str:
    return f"{mass:.15g}" if mass else ""
