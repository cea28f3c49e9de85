"""Jobs that belong to the calendar, apart from polling, and only once the clock is known."""

import threading
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.schedulers.background import BackgroundScheduler

from longsoak.service.messages import CalendarFault, LookedOver
from longsoak.store.soundness import fault


class Calendar:
    """Has the record looked over every night; tells of jobs that were missed.

    Parameters
    ----------
    folder : Path
        The record's.
    put : callable
        Takes what is to be told.
    """

    def __init__(self, folder: Path, *, put: Callable[[LookedOver | CalendarFault], None]) -> None:
        def look_over() -> None:
            # In a thread that nobody waits for at the end: it takes minutes, and only reads.
            threading.Thread(
                target=lambda: put(LookedOver(fault(folder))), name="look over", daemon=True
            ).start()

        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 3600},
        )
        self._scheduler.add_job(look_over, "cron", hour=3, minute=10, id="check")
        self._scheduler.add_listener(
            lambda event: put(CalendarFault(f"the job {event.job_id!r} was missed or failed")),
            EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES,
        )
        self._scheduler.start()

    def close(self) -> None:
        """End it; a job under way only starts a thread, and needs no waiting for."""
        self._scheduler.shutdown(wait=False)
