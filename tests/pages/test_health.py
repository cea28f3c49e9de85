"""The health sheet: what was found against probes, their good hours, and how they were proven."""

import re

from longsoak.core.quality.day import Day
from longsoak.core.quality.health import ClosedDay
from longsoak.vocabulary.flags import Flag
from pages.pagerig import DAY_MS, DRIFT, Kept, drift, flagged, told
from pages.serving import Served, now_ms


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_before_anything_was_judged_it_does_not_say_that_all_is_well(at_rest: Served) -> None:
    said = plain(at_rest.get("/health").text)
    assert "Nothing was judged yet" in said
    assert "not judged yet no day yet" in said
    assert "none is in doubt" not in said
    assert "nothing found" not in said


def test_without_a_finding_it_says_so(kept: Kept, served: Served) -> None:
    told(kept, [])
    said = plain(served.get("/health").text)
    assert "none is in doubt" in said
    assert "In doubt, none" in said
    assert "Nothing was found." in said
    assert "no day yet" in said
    assert "never proven" in said


def test_a_doubt_is_told_with_its_figures_and_by_what_it_was_judged(
    kept: Kept, served: Served
) -> None:
    told(kept, [drift(since_ms=now_ms() - 30 * DAY_MS)])
    html = served.get("/health").text
    said = plain(html)
    assert "1 is in doubt" in said
    assert "In doubt, 1" in said
    assert "Has gone 0.6 % MC wetter than plain lime 90/60 and plain lime 90/260." in said
    assert "a month 0.988 p 0.00012 judged by plain lime 90/60, plain lime 90/260" in said
    assert "30 days ago" in said
    assert html.count('href="/probe/plain%20lime%2090%2F160"') == 2


def test_what_is_over_stays_in_the_list_and_stands_no_longer(kept: Kept, served: Served) -> None:
    since_ms = now_ms() - 30 * DAY_MS
    told(kept, [drift(since_ms=since_ms), drift(since_ms=since_ms, over=True)])
    html = served.get("/health").text
    assert "In doubt, none" in plain(html)
    assert html.count("has gone 0.6 % MC wetter") == 2


def test_good_hours_are_those_of_good_readings(kept: Kept, served: Served) -> None:
    """The pins of this rig are read each 900 s: 96 readings are a day."""
    (every,) = {probe.every for probe in kept.rig.probes if probe.name == DRIFT}
    assert every == 900
    days = [ClosedDay(DRIFT, Day(20_000 + n, 15.0, 0.05, 96, 96 - 8 * n)) for n in range(10)]
    told(kept, [], days)
    rows = plain(served.get("/health").text)
    assert f"{DRIFT} nothing found 6 of 24 h 84 of 168 h 150 of 240 h never proven" in rows


def test_a_probe_that_is_not_judged_says_so(at_rest: Served) -> None:
    assert "water level not judged no day yet no day yet no day yet never proven" in plain(
        at_rest.get("/health").text
    )


def test_a_flag_set_by_hand_is_told_here_and_on_the_probes_own_sheet(
    kept: Kept, served: Served
) -> None:
    since_ms = now_ms() - 30 * DAY_MS
    told(kept, [drift(since_ms=since_ms)])
    flagged(kept, Flag.PASS, since_ms=since_ms - DAY_MS, until_ms=now_ms())
    said = plain(served.get("/health").text)
    assert "In doubt, none" in said
    assert "Flagged by hand, 1" in said
    assert f"1 {DRIFT} pass " in said
    assert "mk A hand meter says 13 %" in said
    assert "set aside by entry 1, mk." in said
    own = plain(served.get("/probe/plain%20lime%2090%2F160").text)
    assert f"Flagged by hand entry about flag from until by reason 1 {DRIFT} pass" in own
    assert "Found so far, newest first" in own


def test_what_is_shown_of_a_probe_is_what_somebody_flagged(kept: Kept, served: Served) -> None:
    flagged(kept, Flag.SUSPECT, since_ms=now_ms() - 30 * DAY_MS, until_ms=None)
    own = plain(served.get("/probe/plain%20lime%2090%2F160").text)
    assert "flagged by hand, see the logbook" in own
    assert "it is ended" in own
    health = plain(served.get("/health").text)
    assert f"{DRIFT} suspect, by hand" in health


def test_what_somebody_flagged_as_a_fail_is_not_drawn(kept: Kept, served: Served) -> None:
    address = "/traces?what=pins&height=160&hours=all"
    before = served.get(address).text
    flagged(kept, Flag.FAIL, since_ms=now_ms() - 300 * DAY_MS, until_ms=None)
    after = served.get(address).text
    assert before.count("<path") > after.count("<path") > 0


def test_a_rig_file_that_changed_is_told_until_it_is_measured_under_and_then_it_is_shown(
    kept: Kept, served: Served
) -> None:
    told(kept, [])
    assert "changed on the disk" not in plain(served.get("/health").text)
    text = kept.rig_file.read_text().replace(DRIFT, "a new name")
    kept.rig_file.write_text(text)
    said = plain(served.get("/health").text)
    assert "The rig file was changed on the disk since, and that is not taken up" in said
    assert "a new name" not in said
    kept.writer.accept_rig(text, utc_ms=now_ms())
    kept.scan(now_ms())
    said = plain(served.get("/health").text)
    assert "changed on the disk" not in said
    assert "a new name" in said
