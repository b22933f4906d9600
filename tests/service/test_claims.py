"""A claimer is known to be dead or alive by its name."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from watcher.service.claims import is_alive, is_seen, is_told_by_a_lock, own_name


def test_this_process_is_alive_under_its_own_name() -> None:
    assert is_alive(own_name())
    assert str(os.getpid()) in own_name()


def test_a_process_that_ended_is_dead_even_before_it_was_waited_for() -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", "from watcher.service.claims import own_name; print(own_name())"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    with child.stdout as output:
        name = output.read().strip()  # to its end: the process closed it by ending, or nearly
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert not is_alive(name), "a zombie does no work"
    child.wait()
    assert not is_alive(name)


def test_a_number_that_another_process_has_by_now_does_not_count() -> None:
    kind, pid, began, boot = own_name().split()
    assert not is_alive(f"{kind} {pid} {int(began) - 1} {boot}")
    assert not is_alive(f"{kind} {pid} {began} another-boot")


def test_a_claimer_on_another_machine_or_in_another_container_is_left_to_its_time_limit() -> None:
    kind, pid, began, world = own_name().split()
    boot, _, space = world.partition("/")
    assert space.isdigit()
    for elsewhere in ("another-boot/1", f"{boot}/1"):
        assert is_alive(f"{kind} {pid} {began} {elsewhere}", far=True)
        assert not is_alive(f"{kind} {pid} {began} {elsewhere}")
    assert not is_alive(f"{kind} {pid} {int(began) - 1} {world}", far=True)


def test_only_a_claimer_elsewhere_that_says_so_is_told_by_its_lock() -> None:
    """One of an older version holds none: that would say that it is dead."""
    here = own_name(held=True)
    kind, pid, began, _, _ = here.split()
    assert is_alive(here)
    assert is_seen(here)
    assert not is_seen(f"{kind} {pid} {began} another-boot/1 held")
    assert not is_seen("someone else entirely here")
    assert not is_told_by_a_lock(here), "here its process is looked at"
    assert is_told_by_a_lock(f"{kind} {pid} {began} another-boot/1 held")
    assert not is_told_by_a_lock(f"{kind} {pid} {began} another-boot/1")
    assert is_alive(f"{kind} {pid} {began} another-boot/1 held", far=True)


@pytest.mark.parametrize("name", ["", "delivery", "delivery x 1 2", "someone else entirely here"])
def test_a_name_of_somebody_elses_making_is_left_alone(name: str) -> None:
    assert is_alive(name)
