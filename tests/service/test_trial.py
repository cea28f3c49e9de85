"""When a trial of the notices is due, over restarts, times off and clocks that are set."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from longsoak.rigfile.alarmset import Parts, standard_set
from longsoak.service.clock import SystemClock
from longsoak.service.trial import Sent, TrialKeeper
from longsoak.store.noticerecord import ANSWERED, SENT, NoticeRecord
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.notices import TRIAL, Weekly
from longsoak.vocabulary.rig import Room
from rigs import Keeper, small_rig

PARTS = Parts(None, 0.0, Room(), (), (), (), backup=False, trial=True)
PLAN = next(plan for plan in standard_set(PARTS) if plan.watch is Watch.TRIAL)
RIG = replace(
    small_rig(name="pair", alarms=(PLAN,)),
    trial=Weekly(0, 9 * 60),
    time_zone="Europe/Paris",
)
DAY = 86_400


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


MONDAY = ms("2026-05-04T07:00:00")  # 9:00 in Paris


@dataclass
class Wall(SystemClock):
    """A wall clock that is set by hand."""

    utc: int
    known: bool = True

    def __post_init__(self) -> None:
        super().__init__()

    def utc_ms(self) -> int:
        return self.utc

    def synchronised(self) -> bool:
        return self.known

    def wait(self, seconds: float) -> None:
        self.utc += round(1000 * seconds)


def keep(keeper: Keeper, wall: Wall, subject: str, says: str, sent: Sent | None = None) -> None:
    """Keep what the recorder keeps of it."""
    cursors = {} if sent is None else {TRIAL: (sent.number, wall.utc)}
    event = Event(wall.utc, TRIAL, subject, says, None)
    keeper.writer.commit(Batch(events=[event], cursors=cursors))


def go(keeper: Keeper, wall: Wall, trials: TrialKeeper) -> bool:
    """Whether one goes out now; it is kept."""
    sent = trials.due()
    if sent is None:
        return False
    keep(keeper, wall, SENT, sent.says, sent)
    return True


def test_one_goes_each_week_the_first_at_once_and_none_twice_over_restarts(tmp_path: Path) -> None:
    wall = Wall(MONDAY - DAY * 1000)
    went = []
    with Keeper(tmp_path, RIG) as keeper:
        for hour in range(3 * 7 * 24):
            trials = TrialKeeper(RIG, tmp_path, clock=wall)  # the process is started each hour
            if go(keeper, wall, trials):
                went.append(hour)
            assert not go(keeper, wall, trials)
            wall.wait(3600)
    assert went == [0, 24, 24 + 168, 24 + 2 * 168]


def test_after_weeks_off_one_is_made_up_for(tmp_path: Path) -> None:
    wall = Wall(MONDAY)
    with Keeper(tmp_path, RIG) as keeper:
        assert go(keeper, wall, TrialKeeper(RIG, tmp_path, clock=wall))
        wall.wait(25 * DAY)
        trials = TrialKeeper(RIG, tmp_path, clock=wall)
        assert go(keeper, wall, trials)
        wall.wait(DAY)
        assert not go(keeper, wall, trials)


def test_none_goes_before_the_clock_is_known_nor_on_a_rig_without_one(tmp_path: Path) -> None:
    wall = Wall(1000, known=False)
    with Keeper(tmp_path, RIG) as keeper:
        trials = TrialKeeper(RIG, tmp_path, clock=wall)
        assert trials.due() is None
        assert trials.standing() == {}
        wall.utc, wall.known = MONDAY, True
        assert go(keeper, wall, trials)
        none = replace(RIG, trial=None)
        assert TrialKeeper(none, tmp_path, clock=wall).due() is None
        assert TrialKeeper(none, tmp_path, clock=wall).standing() == {}


def test_a_clock_that_was_years_ahead_does_not_end_all_trials(tmp_path: Path) -> None:
    wall = Wall(MONDAY + 1000 * DAY * 3650)
    with Keeper(tmp_path, RIG) as keeper:
        assert go(keeper, wall, TrialKeeper(RIG, tmp_path, clock=wall))
        wall.utc = MONDAY
        assert go(keeper, wall, TrialKeeper(RIG, tmp_path, clock=wall))


def test_the_alarm_stands_from_the_time_one_has_until_somebody_answers(tmp_path: Path) -> None:
    wall = Wall(MONDAY)
    with Keeper(tmp_path, RIG) as keeper:
        trials = TrialKeeper(RIG, tmp_path, clock=wall)
        assert trials.standing() == {Watch.TRIAL: None}
        assert trials.answer("mk") is None
        go(keeper, wall, trials)
        wall.wait(PLAN.within - 1)
        assert trials.standing() == {Watch.TRIAL: None}
        wall.wait(1)
        says = "the trial of 4 May 2026, 07:00:00 UTC was not answered"
        assert trials.standing() == {Watch.TRIAL: says}
        # A restart and the next trial leave it standing.
        wall.wait(7 * DAY)
        trials = TrialKeeper(RIG, tmp_path, clock=wall)
        assert trials.standing() == {Watch.TRIAL: says}
        assert go(keeper, wall, trials)
        assert TrialKeeper(RIG, tmp_path, clock=wall).standing() == {Watch.TRIAL: says}
        answered = trials.answer("mk")
        assert answered == "by mk, 9 days after it went out"
        keep(keeper, wall, ANSWERED, answered)
        for again in (trials, TrialKeeper(RIG, tmp_path, clock=wall)):
            assert again.standing() == {Watch.TRIAL: None}
            assert again.answer("mk") is None


def test_the_record_says_which_way_took_the_last_one_and_who_answered(tmp_path: Path) -> None:
    wall = Wall(MONDAY)
    with Keeper(tmp_path, RIG) as keeper:
        record, trials = NoticeRecord(tmp_path), TrialKeeper(RIG, tmp_path, clock=wall)
        assert record.trial() is None
        go(keeper, wall, trials)
        keep(keeper, wall, "mail", "taken")
        keep(keeper, wall, ANSWERED, "by mk, soon")
        wall.wait(7 * DAY)
        go(keeper, wall, trials)
        keep(keeper, wall, "webhook", "taken")
        trial = record.trial()
        assert trial is not None
        assert (trial.sent_ms, trial.waiting_ms) == (wall.utc, wall.utc)
        assert trial.taken == {"webhook": wall.utc}
        assert trial.answered == ("by mk, soon", MONDAY)
