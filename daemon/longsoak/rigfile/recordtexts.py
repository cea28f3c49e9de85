"""What alarms about the record, its disk and the computer say."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from longsoak.vocabulary.alarmplan import AlarmPlan, Watch


@dataclass(frozen=True, slots=True)
class Texts:
    """The words of one alarm."""

    title: str
    cause: str
    consequence: str
    actions: tuple[str, ...]


def duration_words(seconds: float) -> str:
    """A delay in words."""
    for size, word in ((3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {word}"
    return f"{seconds:.3g} s"


def _record(plan: AlarmPlan) -> Texts:
    return Texts(
        "The record takes nothing",
        f"The disk has refused what was measured for {duration_words(plan.on_delay)}. Most often "
        "it is full, or a card has worn out.",
        "Measuring goes on and is kept in memory: all of it for two days or more, after that "
        "ever fewer of the older scans. What is there is lost if the computer stops before the "
        "disk takes it. Pages and `longsoak now` show the last that was kept.",
        (
            "Do not restart anything yet.",
            "Look how full the disk is (df), and free some space on it.",
            "If it is not full, look for errors of the card (dmesg), and copy the record.",
        ),
    )


def _backup(plan: AlarmPlan) -> Texts:
    return Texts(
        "No backup of the record",
        "The last backup that the rig file asks for ([backup]) could not be made, or none was "
        f"made for three days. It has been so for {duration_words(plan.on_delay)}.",
        "The record here is whole, but what was measured since the last backup lies on one "
        "card only, and is lost with it.",
        (
            "Look whether the stick or disk is plugged in and mounted (findmnt).",
            "Look how full it is (df). Move old backups elsewhere rather than delete them.",
            "Make one by hand and read what it says: longsoak backup rig.toml",
            "If it can't be read or written, use another stick: this one is worn out.",
            "Nothing else: it is tried again every hour.",
        ),
    )


def _lost(plan: AlarmPlan) -> Texts:
    return Texts(
        "Readings are being given up",
        "The disk has taken nothing for so long that memory holds no more of what waits for "
        "it. Of the older scans every second one is given up, and so on.",
        "The scans given up are lost for good; how many, and from when to when, is told in the "
        "record once the disk takes something. Alarms go on.",
        (
            "Do not restart anything yet: all that still waits would be lost with it.",
            "Free some space on the disk, or mend it. What waits is then kept by itself.",
        ),
    )


def _damaged(plan: AlarmPlan) -> Texts:
    return Texts(
        "The record was damaged",
        "The file that held the record can't be read as it was written, most often after a "
        "card has worn out or the power failed. It was set aside beside the new one, whole, "
        'under a name with "damaged" in it.',
        "Measuring goes on in a new record. Pages and commands show that one only: what was "
        "measured before is in the file set aside, as far as it can be read, and in your "
        "backups.",
        (
            "Copy the whole folder of the record to another disk before you do anything else.",
            "Look for errors of the card (dmesg). If there are any, replace it now.",
            "Look how far the last backup reaches before you decide which record to go on "
            "with. The file set aside is never changed or deleted.",
            "Acknowledge this when that is done.",
        ),
    )


def _disk(plan: AlarmPlan) -> Texts:
    return Texts(
        "The disk is getting full",
        "There is less free space where the record lies than the rig file asks for "
        "(low_mb in [record]).",
        "When it is full, what is measured waits in memory and is lost if the computer stops. "
        "Before that, what can be made again from the record is dropped; readings never are.",
        (
            "Look what takes the space (df, du), and free some of it.",
            "Leave the record's folder alone: nothing in it is spare.",
            "A larger card: copy the whole folder while nothing is recording.",
        ),
    )


def _log(plan: AlarmPlan) -> Texts:
    return Texts(
        "The record's log is held open",
        "Some program reads the record without ever letting go of it, or the disk fails, so "
        "that what was written last can't be folded into the record.",
        "Nothing is lost, but the log grows until the disk is full.",
        (
            "Look which programs have the record open (fuser record.db in the record's "
            "folder), and end those that have been at it for hours.",
            "If there is none, look for errors of the disk (dmesg).",
        ),
    )


def _clock(plan: AlarmPlan) -> Texts:
    return Texts(
        "The clock is not known",
        "This computer's clock has not been synchronised with any other for "
        f"{duration_words(plan.on_delay)}.",
        "Readings go on and keep their order. The day and hour they were taken at is not sure, and "
        "what happens at a time of day, such as the daily mail, waits.",
        (
            "Look whether the network is up, and whether it lets the time through.",
            "A rig without a network: fit a clock with a battery, or set the time by hand.",
            "Nothing else: once the clock is known, everything is put at its right time.",
        ),
    )


def _restarted(plan: AlarmPlan) -> Texts:
    return Texts(
        "Restarted after a cut",
        "Measuring had ended without being stopped, and has begun again: the power failed, the "
        "computer hung, or somebody pulled the plug. The line below says how long nothing was "
        "read.",
        "Nobody knows what the water did meanwhile, and the pump may not have come back.",
        (
            "Look whether the pump runs, and at the water, from a dry floor.",
            "Ask whether somebody topped up meanwhile, and note that in the logbook.",
            "It comes again and again: look at the supply, its plug and its fuse. Mains work is "
            "for a licensed person under local code.",
            "Acknowledge this when that is done.",
        ),
    )


def _undervoltage(plan: AlarmPlan) -> Texts:
    return Texts(
        "Undervoltage",
        "The computer says that its supply has fallen below what it needs.",
        "It slows down, loses USB devices, writes badly to its card, and in the end restarts.",
        (
            "Use the supply made for this computer, and a short, thick cable.",
            "Take what draws much power off its USB ports, or give it a supply of its own.",
            "Run `longsoak backup` on the rig file now.",
        ),
    )


def _trial(plan: AlarmPlan) -> Texts:
    return Texts(
        "Nobody answered the trial",
        "The weekly trial of the notices went out and nobody has acknowledged it for "
        f"{duration_words(plan.within)}.",
        "An alarm may go out in just the same way and reach nobody.",
        (
            "Look whether the trial has come: in the inbox, among the junk, on the phone.",
            "Come it did: longsoak ack trial --by INITIALS, and agree who answers next time.",
            "It did not: look at the addresses in the rig file, and at the mail server.",
        ),
    )


OF_THE_RECORD: Mapping[Watch, Callable[[AlarmPlan], Texts]] = {
    Watch.RECORD: _record,
    Watch.BACKUP: _backup,
    Watch.LOST: _lost,
    Watch.DAMAGED: _damaged,
    Watch.DISK: _disk,
    Watch.LOG: _log,
    Watch.CLOCK: _clock,
    Watch.RESTARTED: _restarted,
    Watch.UNDERVOLTAGE: _undervoltage,
    Watch.TRIAL: _trial,
}
