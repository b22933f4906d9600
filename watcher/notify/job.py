"""What is handed to the sender process and what it hands back: one line of JSON each.

The address goes over a pipe, never over a command line or an environment, where other users of
the machine could read it. Light: importing it does not bring Apprise into the process.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

from watcher.facts.finding import Urgency
from watcher.notify.secret import Secret
from watcher.notify.target import SendResult, Target

LONGEST_LINE_BYTES = 64 * 1024
"""A job is below 8 KiB; a longer line is a fault of ours, not a message."""

GRACE_SECONDS = 5.0
"""How much longer than its time limit a job may take before the sender kills itself."""

READY = b"ready\n"
"""The first line a sender writes."""

EXIT_SPENT = 4
"""The sender ended because a thread of it still waits for a server; start another."""


class BadJob(Exception):
    """A line that is not a job or not a result; a fault of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One message to one target."""

    target: Target
    title: str
    body: str
    urgency: Urgency
    message_id: str
    timeout_seconds: float
    thread: str = ""  # of the case it is about, "" for none or several


def write_job(job: Job) -> bytes:
    """Give the line for a job; it holds the address in clear and must go nowhere but a pipe."""
    fields = {
        "name": job.target.name,
        "person": job.target.person,
        "url": job.target.url.reveal(),
        "title": job.title,
        "body": job.body,
        "urgency": job.urgency.value,
        "message_id": job.message_id,
        "timeout_seconds": job.timeout_seconds,
        "thread": job.thread,
    }
    return json.dumps(fields).encode() + b"\n"


def read_job(line: bytes) -> Job:
    """Read a job; raises ``BadJob``, which shows nothing of the line."""
    try:
        fields = json.loads(line)
        return Job(
            target=Target(
                name=str(fields["name"]),
                person=str(fields["person"]),
                url=Secret(str(fields["url"])),
            ),
            title=str(fields["title"]),
            body=str(fields["body"]),
            urgency=Urgency(fields["urgency"]),
            message_id=str(fields["message_id"]),
            timeout_seconds=float(fields["timeout_seconds"]),
            thread=str(fields["thread"]),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise BadJob(f"not a job ({type(error).__name__})") from None


def write_result(result: SendResult) -> bytes:
    """Give the line for a result."""
    return json.dumps(asdict(result)).encode() + b"\n"


def read_result(line: bytes) -> SendResult:
    """Read a result; raises ``BadJob``."""
    try:
        fields = json.loads(line)
        return SendResult(
            ok=fields["ok"] is True,
            permanent=fields["permanent"] is True,
            error=str(fields["error"]),
            seconds=float(fields["seconds"]),
            left_behind=fields["left_behind"] is True,
            ours=fields["ours"] is True,
        )
    except (ValueError, KeyError, TypeError) as error:
        raise BadJob(f"not a result ({type(error).__name__})") from None
