"""What is due now and then: timers leave a mark, and the one worker takes it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from datetime import UTC

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobExecutionEvent
from apscheduler.schedulers.background import BackgroundScheduler

logger = logging.getLogger(__name__)


class Chores:
    """Marks that something is due, set by timers, taken by the worker."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._due: set[str] = set()

    def mark(self, name: str) -> None:
        """It is due; more than once is once."""
        with self._lock:
            self._due.add(name)

    def take(self) -> set[str]:
        """What is due, and then is not."""
        with self._lock:
            due, self._due = self._due, set()
            return due


def timers(chores: Chores, every_s: Mapping[str, float]) -> BackgroundScheduler:
    """A scheduler, not yet started, that marks each chore so often."""
    # the stock grace of one second would drop what is late; here a late mark is as good as a punctual one
    defaults = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
    scheduler = BackgroundScheduler(timezone=UTC, job_defaults=defaults)
    for name, seconds in every_s.items():
        scheduler.add_job(chores.mark, "interval", (name,), seconds=seconds, id=name, replace_existing=True)
    scheduler.add_listener(_note_job, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    return scheduler


def _note_job(event: JobExecutionEvent) -> None:
    logger.error("timer %s: %s", event.job_id, getattr(event, "exception", None) or "missed")
