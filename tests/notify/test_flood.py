"""Many alarms at once, repeats and ends of shelvings, as they reach a real mailbox."""

from dataclasses import replace
from pathlib import Path

from longsoak.notify.choosing import PACE
from longsoak.notify.mail import MailCarrier
from longsoak.notify.route import RouteNotices
from longsoak.notify.words import LINES, WHOLE, body, subject
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, Hiding, Priority, StoredChange
from longsoak.vocabulary.destinations import Mail
from notify.routing import TO_ALL, Clocks, a_route
from rigs import GONE, NEW, NORMAL, START_MS, Keeper, small_rig
from servers import HOST, Mailbox, mail_server

SMALL = small_rig(name="pair", page=None, invented=False)
HIGH, MEDIUM = "overfill: water level", "silent: C 30/60"
(SILENT,) = (plan for plan in SMALL.alarms if plan.key == MEDIUM)
RIG = replace(
    SMALL,
    alarms=(
        *SMALL.alarms,
        *(
            replace(SILENT, key=f"s{n}", title=f"S{n} is silent", subject=f"S{n}")
            for n in range(60)
        ),
    ),
)


def route(keeper: Keeper, box: Mailbox, now: Clocks) -> RouteNotices:
    settings = Mail(HOST, box.port, "rig@example.org", ("k@example.org",), False, None, None)
    carrier = MailCarrier(settings, settings.to, password=None)
    return a_route(TO_ALL, keeper.record, RIG, carrier, now=now)


def text_of(box: Mailbox, number: int) -> str:
    return str(box.mails[number].get_content()).replace("\r\n", "\n")


def test_in_a_flood_mails_come_every_two_minutes_with_the_count_and_the_first_ones(
    tmp_path: Path,
) -> None:
    now = Clocks(START_MS, began=START_MS)
    sent: list[float] = []
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet, position = route(keeper, box, now), 0
        for second in range(300):
            if second < 50:
                keeper.change(f"s{second}", NORMAL, NEW)
            if second == 60:
                keeper.change(HIGH, NORMAL, NEW)
            now.wait(1.0)
            before = len(box.mails)
            position = outlet.step(position)
            sent += [second] * (len(box.mails) - before)
        # Ten at once, as they come; then the flood: the water at once, all else after 2 min.
        assert sent[:10] == list(range(10))
        assert sent[10] == 60
        assert sent[11:] == []
        assert position == 51
        subjects = [str(mail["Subject"]) for mail in box.mails]
        assert subjects[-1].startswith("High priority, pair: 41 alarms (")
        text = text_of(box, 10)
        assert text.startswith("More alarms come than anybody can follow: 41 alarms since the last")
        assert "\nFirst of 51 alarms within 50 s: S0 is silent\n" in text
        # What is of high priority is told in full wherever it stands among the others.
        assert "    1. Stop the top-up.\n" in text
        assert text.count("If nothing is done:") == WHOLE
        assert "S49 is silent: standing since " in text


def test_without_a_high_one_a_flood_waits_for_its_two_minutes(tmp_path: Path) -> None:
    now = Clocks(START_MS, began=START_MS)
    sent: list[int] = []
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet, position = route(keeper, box, now), 0
        for second in range(400):
            if second < 50:
                keeper.change(f"s{second}", NORMAL, NEW)
            now.wait(1.0)
            before = len(box.mails)
            position = outlet.step(position)
            sent += [second] * (len(box.mails) - before)
        assert sent == [*range(10), 9 + round(PACE)]
        assert str(box.mails[-1]["Subject"]) == "pair: 40 alarms (S10, S11, S12, S13 and 36 more)"


def test_of_very_many_alarms_the_last_are_counted() -> None:
    changes = [
        StoredChange(f"s{n}", START_MS, n, NORMAL, NEW, None, "", None, n + 1) for n in range(60)
    ]
    text = body(RIG, changes)
    assert text.count("If nothing is done:") == WHOLE
    assert text.count("is silent: standing since") == LINES
    assert f"And {60 - WHOLE - LINES} more. `longsoak now` lists all that stand." in text


def test_alarms_that_come_together_say_which_came_first(tmp_path: Path) -> None:
    now = Clocks(START_MS, began=START_MS)
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box, now)
        keeper.change(MEDIUM, NORMAL, NEW)
        assert outlet.step(0) == 1
        assert "First of" not in text_of(box, 0)
        keeper.change("s1", NORMAL, NEW)
        keeper.change("s2", NORMAL, NEW)
        assert outlet.step(1) == 3
        assert text_of(box, 1).startswith("First of 3 alarms within 2 s: C 30/60 is silent\n")
        # Two minutes on another one is another happening.
        keeper.now_ms += 120_000
        keeper.change("s3", NORMAL, NEW)
        assert outlet.step(3) == 4
        assert "First of" not in text_of(box, 2)


def kept(keeper: Keeper, says: str, after: float, hiding: Hiding | None = None) -> None:
    """A change of an alarm that stands and of which people are told again."""
    keeper.now_ms += round(1000 * after)
    at = keeper.now_ms
    change = AlarmChange(
        *(HIGH, at, at - START_MS, NEW, NEW, None, says, None), hiding=hiding, news=hiding is None
    )
    keeper.writer.commit(Batch(changes=[change]))


def test_an_alarm_nobody_answers_is_told_again_with_since_when_and_what_is_left_of_the_time(
    tmp_path: Path,
) -> None:
    now = Clocks(START_MS, began=START_MS)
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box, now)
        keeper.change(HIGH, NORMAL, NEW)
        assert outlet.step(0) == 1
        kept(keeper, "nobody has answered for 15 min", 900)
        now.wait(902)
        assert outlet.step(1) == 2
        assert (
            str(box.mails[1]["Subject"])
            == "High priority, pair: still standing: water above the stop line"
        )
        text = text_of(box, 1)
        assert "  Standing since 4 May 2026, 09:00:01 UTC\n" in text
        assert "  You had about 15 min, until 09:15:01 UTC.\n" in text
        assert "  Seen: nobody has answered for 15 min\n" in text


def test_a_shelving_that_ended_is_told_if_the_alarm_stands(tmp_path: Path) -> None:
    now = Clocks(START_MS, began=START_MS)
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box, now)
        keeper.change(HIGH, NORMAL, NEW)
        kept(keeper, "shelved by mk", 1, Hiding.SHELVED)
        kept(keeper, "the shelving is over, and it stands", 3600)
        assert outlet.step(1) == 3
        (mail,) = box.mails
        assert str(mail["Subject"]) == (
            "High priority, pair: still standing: water above the stop line"
        )
        assert "  Seen: the shelving is over, and it stands\n" in text_of(box, 0)


def test_only_what_is_high_and_not_over_is_called_so() -> None:
    over = StoredChange(HIGH, START_MS, 0, NEW, GONE, None, "", None, 1)
    low = replace(RIG, alarms=tuple(replace(plan, priority=Priority.LOW) for plan in RIG.alarms))
    came = replace(over, old=NORMAL, new=NEW)
    assert subject(RIG, [over]) == "pair: over: water above the stop line"
    assert subject(low, [came]) == "pair: water above the stop line"
    assert "  Priority: low\n" in body(low, [came])
