"""Jobs and results survive the pipe; anything else is refused without being shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.finding import Urgency
from watcher.notify.job import (
    BadJob,
    Job,
    read_job,
    read_result,
    write_job,
    write_result,
)
from watcher.notify.secret import Secret
from watcher.notify.target import SendResult, Target

plain = st.text(st.characters(exclude_categories=["Cs"]))


@given(title=plain, body=plain, urgency=st.sampled_from(Urgency))
def test_a_job_survives_the_pipe(title: str, body: str, urgency: Urgency) -> None:
    job = Job(
        target=Target(name="phone", person="ana", url=Secret("ntfy://host/topic")),
        title=title,
        body=body,
        urgency=urgency,
        message_id="c0ffee",
        timeout_seconds=2.5,
        thread="00c0ffee",
    )
    line = write_job(job)
    assert line.count(b"\n") == 1
    assert read_job(line) == job


@given(ok=st.booleans(), error=plain, seconds=st.floats(0, 100))
def test_a_result_survives_the_pipe(ok: bool, error: str, seconds: float) -> None:
    result = SendResult(ok=ok, error=error, seconds=seconds, permanent=not ok, ours=ok)
    assert read_result(write_result(result)) == result


@given(st.binary(max_size=60))
def test_anything_else_is_refused_without_being_shown(line: bytes) -> None:
    for read in (read_job, read_result):
        with pytest.raises(BadJob) as caught:
            read(line)
        assert str(caught.value).startswith("not a ")


def test_a_cut_job_is_refused() -> None:
    line = write_job(
        Job(
            target=Target(name="phone", person="ana", url=Secret("ntfy://host/hushword")),
            title="t",
            body="b",
            urgency=Urgency.NOW,
            message_id="c0ffee",
            timeout_seconds=2.5,
        )
    )
    for length in range(len(line) - 2):
        with pytest.raises(BadJob) as caught:
            read_job(line[:length])
        assert "hushword" not in str(caught.value)
