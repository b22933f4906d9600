"""The service's own log: one line for each completed thing, a name and fields, no sentences.

For us, not for the owner: the owner's messages are built from facts in ``notify``. Under systemd
the journal adds the time; elsewhere each line carries its own. Exceptions are logged without local
variables, because those may hold secrets.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

import structlog

from watcher.facts.survey import Survey
from watcher.service.desk import Outcome


def under_journal(environ: Mapping[str, str]) -> bool:
    """Tell whether standard output goes to the journal (systemd sets JOURNAL_STREAM)."""
    return bool(environ.get("JOURNAL_STREAM"))


def set_up(environ: Mapping[str, str]) -> structlog.typing.FilteringBoundLogger:
    """Give the logger of the service."""
    stamps = (
        () if under_journal(environ) else (structlog.processors.TimeStamper(fmt="iso", utc=True),)
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            *stamps,
            structlog.processors.format_exc_info,
            structlog.processors.LogfmtRenderer(key_order=["event", "level"]),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(20),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stdout),
        cache_logger_on_first_use=True,
    )
    logger: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return logger


class ServiceLog:
    """Logs what the loop does; says a survey again only when it differs from the one before."""

    def __init__(self, logger: structlog.typing.FilteringBoundLogger) -> None:
        """Begin with nothing said."""
        self._logger = logger
        self._before: dict[str, Any] | None = None

    def surveyed(self, survey: Survey, outcome: Outcome) -> None:
        """Log a survey when something in it changed, and every message that was decided."""
        now: dict[str, Any] = {
            "drives": len(survey.drives),
            "unread": len(survey.unread),
            "pools": ",".join(f"{p.name}={p.protection.value}" for p in survey.pools),
            "blind": ",".join(sorted(b.source for b in survey.blind)),
            "findings": ",".join(sorted({f.key for f in outcome.findings})),
        }
        if now != self._before:
            self._logger.info("survey_changed", survey=survey.survey, **now)
        self._before = now
        for tell in outcome.told:
            self._logger.info("message_decided", key=tell.key, urgency=tell.urgency.value)

    def line(self, text: str) -> None:
        """Log a sentence about the watch itself."""
        self._logger.warning("watch_said", text=" ".join(text.split()))
