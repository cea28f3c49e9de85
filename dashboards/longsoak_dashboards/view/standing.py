"""How things stand, in sentences: recording or not, good and marked probes, water, alarms."""

from collections.abc import Mapping, Sequence

from markupsafe import Markup

from longsoak.core.clockplace import EARLIEST_MS
from longsoak.core.recency import patience_ms, stale_after_ms
from longsoak.core.rigchanges import NOT_TAKEN_UP
from longsoak.core.water.vessel import volume
from longsoak.core.wording import AHEAD_S, age_words, gap_length_words
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.view.marks import Mark
from longsoak_dashboards.view.sentences import (
    ago,
    capital,
    count_words,
    counted,
    day,
    span_words,
    when,
)

_DAY_MS = 86_400_000
_GAP_IS_NEWS_MS = _DAY_MS


def recording_sentence(rig: Rig, *, last_ms: int | None, now_ms: int) -> Markup | None:
    """What to say if nothing comes in; None while scans do."""
    if last_ms is None:
        return Markup('<b class="look">Not recording:</b> no scan has been taken yet.')
    age = (now_ms - last_ms) / 1000
    if age < -AHEAD_S:
        return Markup(
            '<b class="look">Recording or not, nobody can tell:</b> the last scan is dated {} of '
            "this machine\u2019s clock, which was set back or is wrong."
        ).format(age_words(age))
    if now_ms - last_ms <= stale_after_ms(rig):
        return None
    return Markup('<b class="look">Not recording:</b> last scan {}.').format(ago(age))


def rig_file_sentence(*, changed: bool) -> str:
    """What to say if the rig file on the disk is another than is measured under; else empty."""
    if not changed:
        return ""
    return f"{NOT_TAKEN_UP}: longsoak reload does it."


def unset_sentence(*, first_ms: int | None, now_ms: int) -> Markup | None:
    """What to say while the clock stands where it began; None once it can be right."""
    if now_ms >= EARLIEST_MS:
        return None
    said = Markup(
        '<b class="look">This machine\u2019s clock is not set yet:</b> it says {}. What is '
        "dated by it moves to the right day once it is synchronised."
    ).format(day(now_ms))
    if first_ms is not None and first_ms > now_ms:
        said += " What was read before is drawn with it again then."
    return said


def clock_sentence(readings: Mapping[str, Reading], *, now_ms: int) -> Markup | None:
    """What to say if readings are dated ahead of the clock; None while none is."""
    ahead = sum((now_ms - r.utc_ms) / 1000 < -AHEAD_S for r in readings.values())
    if not ahead:
        return None
    return Markup(
        '<b class="look">{}</b> dated ahead of this machine\u2019s clock, which was set back or is '
        "wrong: how old they are is not known."
    ).format(capital(counted(ahead, "reading is", "readings are")))


def day_sentence(rig: Rig, *, first_ms: int | None, now_ms: int) -> str:
    """Which day of the test it is, from the declared start or the first scan.

    Empty while the clock is not set.
    """
    if now_ms < EARLIEST_MS:
        return ""
    if rig.start is not None:
        number = (now_ms // _DAY_MS) - (rig.start.toordinal() - 719_163) + 1
        if number > 0:
            return f"Day {number}."
        return f"{capital(counted(1 - number, 'day', 'days'))} to day 1."
    return "" if first_ms is None else f"Day {now_ms // _DAY_MS - first_ms // _DAY_MS + 1}."


def probes_sentence(marks: Sequence[Mark], *, past: bool = False) -> str:
    """How many probes are good, and how many are not; `past` is of another time than now."""
    good = sum(mark.shape == Flag.PASS for mark in marks)
    marked = sum(mark.wants_a_look for mark in marks)
    unjudged = sum(mark.shape == Flag.NOT_EVALUATED for mark in marks)
    unread = sum(mark.shape == 0 for mark in marks)
    if not marks:
        return "This rig has no probes."
    if good == len(marks):
        return (
            "The one probe is good." if good == 1 else f"All {count_words(good)} probes are good."
        )
    said = [f"{counted(good, 'probe is', 'probes are')} good" if good else "no probe is good"]
    if marked:
        said.append(f"{count_words(marked)} {'is' if marked == 1 else 'are'} marked")
    if unjudged:
        said.append(f"{count_words(unjudged)} {'is' if unjudged == 1 else 'are'} not judged")
    if unread:
        have = f"{count_words(unread)} {'has' if unread == 1 else 'have'} not been read"
        said.append(f"{have} shortly before" if past else f"{have} yet")
    return f"{capital(', '.join(said))}."


def water_now(rig: Rig, readings: Mapping[str, Reading], *, now_ms: int) -> Water | None:
    """The level as drawing and sentence show it; None without a reservoir."""
    if rig.reservoir is None:
        return None
    reading = readings.get(rig.reservoir.level)
    unknown = "level not known"
    if reading is None or reading.value is None or reading.flag is Flag.FAIL:
        return Water(None, "", "", unknown, old=False)
    probe = next((p for p in rig.probes if p.name == rig.reservoir.level), None)
    age = (now_ms - reading.utc_ms) / 1000
    old = probe is None or 1000 * age > patience_ms(probe) or age < -AHEAD_S
    level = reading.value
    plus = f" ± {2 * reading.uncertainty:.0f}" if reading.uncertainty else ""
    clearance = rig.specimen.underside - level
    if clearance > 0:
        words = f"clearance {clearance:.0f}{plus} mm"
    else:
        words = f"contact, {-clearance:.0f}{plus} mm deep"
    was = "was" if old else "water"
    return Water(level, words, f"{was} {level:.0f}{plus} mm", unknown, old)


def water_sentence(rig: Rig, water: Water | None) -> Markup | None:
    """Clearance and litres."""
    if water is None or rig.reservoir is None:
        return None
    if water.level is None:
        return Markup('<b class="look">The water level is not known.</b>')
    litres = volume(water.level, rig.reservoir.depth_table)
    held = (
        Markup(", {:.1f}\u00a0L in the {}").format(litres, rig.reservoir.name)
        if litres is not None
        else Markup("")
    )
    clearance = rig.specimen.underside - water.level
    stands = "stood" if water.old else "stands"
    if clearance <= 0:
        return Markup(
            'The water {} <b class="look">{:.0f}\u00a0mm above the underside</b> of the specimen{}.'
        ).format(stands, -clearance, held)
    return Markup("The water {} <b>{:.0f}\u00a0mm</b> under the specimen{}.").format(
        stands, clearance, held
    )


def alarms_sentence(alarms: Mapping[str, AlarmChange], *, link: bool = True) -> Markup:
    """How many alarms stand, and how many are over and unread."""
    shown = [change for change in alarms.values() if change.hiding is None]
    standing = sum(change.new.standing for change in shown)
    gone = sum(change.new is AlarmState.GONE for change in shown)
    held = sum(change.new is AlarmState.HELD for change in shown)
    said = f"{counted(standing, 'alarm stands', 'alarms stand')}" if standing else "no alarm stands"
    if gone:
        said += f", {counted(gone, 'is over and not acknowledged', 'are over, not acknowledged')}"
    if held:
        said += f", {counted(held, 'is held until it is reset', 'are held until they are reset')}"
    sentence = f"{capital(said)}."
    if not link or not (standing or gone or held):
        return Markup("{}").format(sentence)
    return Markup('<a href="/alarms">{}</a>').format(sentence)


def gap_sentence(gap: RunGap | None, *, now_ms: int) -> Markup:
    """The last time without readings, while it is news."""
    if gap is None or now_ms - gap.to_utc_ms > _GAP_IS_NEWS_MS:
        return Markup()
    known = gap.length_ms
    before = Markup("before {}").format(when(gap.to_utc_ms, now_ms=now_ms))
    how = "the run had been stopped" if gap.clean else "the run was cut off"
    if known is None:  # these words end with a reason that no time of day may follow
        return Markup("No readings {} for {}: {}.").format(before, gap_length_words(gap), how)
    return Markup("No readings for {} {}: {}.").format(span_words(known / 1000), before, how)
