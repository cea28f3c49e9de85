"""Jobs that belong to the calendar, apart from polling, and only once the clock is known."""

from collections.abc import Callable
from datetime import UTC

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.schedulers.background import BackgroundScheduler

from longsoak.service.messages import CalendarFault, CheckDue


class Calendar:
    """Asks for the record to be looked over every night; tells of jobs that were missed."""

    def __init__(self, put: Callable[[CheckDue | CalendarFault], None]) -> None:
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 3600},
        )
        self._scheduler.add_job(lambda: put(CheckDue()), "cron", hour=3, minute=10, id="check")
        self._scheduler.add_listener(
            lambda event: put(CalendarFault(f"the job {event.job_id!r} was missed or failed")),
            EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES,
        )
        self._scheduler.start()

    def close(self) -> None:
        """End it; a job under way only puts a message and needs no waiting for."""
        self._scheduler.shutdown(wait=False)
