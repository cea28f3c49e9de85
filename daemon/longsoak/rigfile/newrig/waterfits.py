"""Whether a reservoir's levels follow each other as they have to, from the pump to the specimen."""

from longsoak.rigfile.alarmset import WATER_DEADBAND
from longsoak.rigfile.newrig.answers import WaterTable
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import Report, number
from longsoak.rigfile.words import given

# A dry alarm has to end between what the pump needs and where a top-up ends.
LEAST_ROOM = WATER_DEADBAND + 1.0  # mm


def check_water_fits(part: Part[WaterTable], underside: float, *, report: Report) -> None:
    """Note levels that leave no room between pump, stop, float, rim and underside."""
    table = part.table
    stop, needs, rim = given(table.stop), given(table.pump_needs), given(table.rim)
    for key, value, least, what in (
        ("stop", stop, needs + LEAST_ROOM, f"{number(LEAST_ROOM)} mm above pump_needs"),
        ("rim", rim, stop, "where a top-up ends"),
    ):
        if value < least:
            report.add(
                (*part.path, key),
                value,
                expected=f"{number(least)} or more, {what}",
                remedy=f"Write {key} = {number(least)} or more.",
            )
    highest = stop if table.float_at is None else table.float_at
    key = "stop" if table.float_at is None else "float_at"
    if highest >= underside:
        report.add(
            (*part.path, key),
            highest,
            expected=f"less than {number(underside)}, the specimen's underside",
            remedy=f"Lower {key}, or raise the specimen.",
        )
    if table.float_at is not None and not stop < table.float_at <= rim:
        report.add(
            (*part.path, "float_at"),
            table.float_at,
            expected=f"more than {number(stop)}, where a top-up ends, and up to the rim at "
            f"{number(rim)}",
            remedy="Mount the float between the two.",
        )
