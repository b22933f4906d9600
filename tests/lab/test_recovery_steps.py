"""Recoveries through the recorded steps of our own runs, by the real readers, in their order.

The steps are of one real array each (tests/lab/steps/README.txt): what was done to its drives is
known, so what the recovery must have come to is known too. Steps that the runs made in between
and that are kept elsewhere are missing here; evidence may then skip, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta

import pytest

from tests.lab.captured import kernel_name, survey_of
from tests.lab.step_host import kept_step
from watcher.facts.identity import PoolId
from watcher.facts.pool import PoolKind
from watcher.facts.survey import Survey
from watcher.recovery.advice import advise
from watcher.recovery.follow import Around, Followed, follow, see
from watcher.recovery.record import DetourKind, Recovery, Step
from watcher.rules.view import View
from watcher.service.desk import view_of
from watcher.store.database import Store, open_memory

HOUR = timedelta(hours=1)


@dataclass
class Tape:
    """Follows the steps of a scenario, an hour apart, with a real store as the memory."""

    scenario: str
    pool: str  # the name of the pool that is followed
    store: Store = field(init=False)
    recovery: Recovery | None = None
    said: list[str] = field(default_factory=list)
    last: Followed | None = None
    looks: int = 0

    def play(self, *steps: str) -> list[Step | None]:
        """Play steps, and give where the recovery is after each."""
        return [self.step(step) for step in steps]

    def step(self, step: str) -> Step | None:
        survey = survey_of(kept_step(self.scenario, step))
        if not self.looks:
            self.begin = survey.taken_at
            self.store = open_memory(now=self.begin)
        at = self.begin + HOUR * self.looks
        self.looks += 1
        survey = moved(survey, f"{self.scenario}-{self.looks}", at)
        with self.store.transaction() as tx:
            view = view_of(tx, survey, at)
            tx.take_survey(survey, at)
        self._follow(view, survey)
        return self.recovery.step if self.recovery is not None else None

    def _follow(self, view: View, survey: Survey) -> None:
        key = next((p.pool for p in survey.pools if kernel_name(p) == self.pool), None)
        open_ones = (self.recovery,) if self.recovery is not None else ()
        for one in follow(open_ones, view, Around()):
            if one.recovery.pool == (self.recovery.pool if self.recovery else key):
                self.recovery, self.last = one.recovery, one
                self.said += [event.what for event in one.events]

    @property
    def commands(self) -> list[str]:
        """The commands that are shown now."""
        assert self.last is not None
        return [c.line for c in advise(self.last.recovery, self.last.seen).commands]


def moved(survey: Survey, name: str, at: object) -> Survey:
    """Give a survey another time: the recorded steps are told by their order."""
    return replace(
        survey,
        survey=name,
        taken_at=at,
        drives=tuple(replace(d, observed_at=at) for d in survey.drives),
        unread=tuple(replace(d, observed_at=at) for d in survey.unread),
        pools=tuple(replace(p, observed_at=at) for p in survey.pools),
    )


def test_md_raid5_from_a_failing_member_to_a_clean_check() -> None:
    tape = Tape("md_raid5", "md0")
    assert tape.play("02-healthy", "03-read-errors") == [None, None]
    assert tape.step("04-failing") in {Step.MAKE_SURE, Step.GET_DRIVE}
    assert any(line.startswith("mdadm --detail /dev/md0") for line in tape.commands) or (
        tape.recovery is not None and tape.recovery.step is Step.GET_DRIVE
    )
    assert tape.step("06-replaced") is Step.REBUILD
    assert tape.recovery is not None
    assert tape.recovery.new_drive == "wwn-5000c500a0000004"
    assert tape.recovery.lost[0].drive == "wwn-5000c500a0000001"
    assert tape.step("07-rebuilt") is Step.VERIFY
    assert "mdadm --action=check /dev/md0" in tape.commands
    assert tape.step("10-check-clean") is Step.VERIFY, "nobody saw a check end yet"


def test_md_beyond_its_margin_moves_nothing_and_shows_only_what_reads() -> None:
    tape = Tape("md_raid5", "md0")
    tape.play("02-healthy", "04-failing")
    before = tape.recovery
    assert before is not None
    assert tape.step("11-two-failed") is before.step
    assert tape.recovery is not None
    assert tape.recovery.detour(DetourKind.BEYOND_MARGIN) is not None
    assert not [line for line in tape.commands if "--add" in line or "--run" in line]


def test_md_raid6_loses_two_and_is_rebuilt_one_after_the_other() -> None:
    tape = Tape("md_raid1_raid6", "md6")
    assert tape.play("02-healthy", "05-raid6-one-gone")[-1] is not None
    assert tape.step("07-raid6-rebuilding-first") is Step.REBUILD
    assert tape.step("09-frozen") is Step.REBUILD
    assert "mdadm --action=idle /dev/md6" in tape.commands
    assert tape.step("10-raid6-rebuilt") is Step.VERIFY
    assert tape.recovery is not None
    assert len(tape.recovery.lost) == 2
    assert all(m.back_at is not None for m in tape.recovery.lost)


def test_md_raid1_takes_its_old_leg_back_and_still_counts_differences() -> None:
    tape = Tape("md_raid1_raid6", "md1")
    tape.play("02-healthy", "11-raid1-leg-failed")
    assert tape.step("12-raid1-re-added") is Step.VERIFY
    assert tape.recovery is not None
    assert tape.recovery.new_drive is None, "it was the old one that came back"


def test_the_shortest_run_from_whole_over_degraded_to_whole() -> None:
    """Most of its steps recorded no block devices, so that drives are not traced there."""
    tape = Tape("e2e_md", "md0")
    where = tape.play("1-healthy", "2-failing", "3-pulled", "4-rebuilding", "5-healthy", "6-check")
    assert where[0] is None
    assert where[1] in {Step.MAKE_SURE, Step.GET_DRIVE}
    assert where[3:] == [Step.REBUILD, Step.VERIFY, Step.VERIFY]


def test_lvm_is_not_clean_while_the_lost_drive_is_still_listed() -> None:
    tape = Tape("lvm", "vg0/mir")
    assert tape.play("02-healthy", "03-leg-gone")[-1] in {Step.MAKE_SURE, Step.GET_DRIVE}
    assert tape.step("05-repaired-pv-still-missing") is Step.VERIFY
    assert "vgreduce --removemissing vg0" in tape.commands
    assert tape.recovery is not None
    tape.step("06-reduced-healthy")
    assert "vgreduce --removemissing vg0" not in tape.commands
    assert tape.step("07-scrub-mismatch") is Step.VERIFY
    assert tape.recovery.detour(DetourKind.CHECK_DIFFERS) is not None
    assert tape.step("08-scrub-repaired") is Step.VERIFY
    assert tape.recovery.detour(DetourKind.CHECK_DIFFERS) is None


def test_lvm_that_only_needs_a_refresh_is_refreshed() -> None:
    tape = Tape("lvm", "vg0/five")
    tape.play("08-scrub-repaired", "09-raid5-transient-then-refresh")
    assert tape.recovery is not None
    assert "lvchange --refresh vg0/five" in tape.commands
    assert tape.step("10-refreshed") is Step.VERIFY


def test_zfs_from_a_fault_over_a_pulled_drive_to_resilvered() -> None:
    tape = Tape("zfs", "tank")
    assert tape.step("01-healthy") is None
    assert tape.step("03-write-errors-faulted") in {Step.MAKE_SURE, Step.GET_DRIVE}
    assert tape.step("04-cleared") is Step.VERIFY
    assert tape.step("06-forced-fault") is Step.MAKE_SURE, "lost again before it was verified"
    assert tape.step("07-pulled") in {Step.MAKE_SURE, Step.GET_DRIVE}
    assert tape.step("09-resilvered") is Step.VERIFY
    assert tape.recovery is not None
    assert tape.recovery.new_drive == "wwn-5000c500b0000003"
    assert "zpool scrub tank" in tape.commands


def test_btrfs_raid5_replaced_is_not_whole_before_its_profiles_are() -> None:
    tape = Tape("btrfs", "one")
    assert tape.play("01-healthy", "04-device-gone-while-mounted")[-1] in {
        Step.MAKE_SURE,
        Step.GET_DRIVE,
    }
    assert tape.step("07-replace-running") is Step.REBUILD
    assert tape.step("08-replaced") is Step.REBUILD
    assert any("-dconvert=raid1,soft" in line for line in tape.commands)
    assert tape.step("10-healthy-again") in {Step.VERIFY, Step.WHOLE}


def test_file_parity_waits_for_the_lost_files_and_is_not_synced_before() -> None:
    tape = Tape("snapraid", "snapraid")
    where = tape.play("02-sync", "03-unsynced-changes")
    assert where == [None, None], "changes alone ask for a sync, not for a recovery"


@pytest.mark.parametrize(
    ("scenario", "pool", "step"),
    [("md_raid5", "md0", "04-failing"), ("lvm", "vg0/mir", "03-leg-gone"),
     ("zfs", "tank", "07-pulled"), ("btrfs", "one", "04-device-gone-while-mounted")],
)  # fmt: skip
def test_advice_can_be_given_at_every_step_of_every_stack(
    scenario: str, pool: str, step: str
) -> None:
    tape = Tape(scenario, pool)
    tape.step(step)
    assert tape.recovery is not None
    assert tape.last is not None
    kind = tape.recovery.kind
    for at in Step:
        stays = (*tape.recovery.stays[:-1], replace(tape.recovery.stays[-1], step=at))
        there = replace(tape.recovery, step=at, stays=stays)
        advice = advise(there, tape.last.seen)
        assert advice.sentence or at is Step.WHOLE
        assert kind is PoolKind.DECLARED or at is not Step.SWAP or advice.commands


def test_seeing_a_pool_that_is_nowhere_known_is_refused() -> None:
    survey = survey_of(kept_step("md_raid5", "02-healthy"))
    view = View(survey=survey, now=survey.taken_at)
    with pytest.raises(KeyError):
        see(view, PoolId("md:nowhere"), Around())
