"""Which finding leads a message, and when an end may be called an all-clear."""

from __future__ import annotations

from dataclasses import replace

from tests.notify.phone_scenes import (
    BAY_5,
    BROKEN,
    CRC,
    GONE_3,
    LABEL_5,
    MARGIN_GONE,
    NOW,
    ORCHARD,
    OSLO,
    PENDING_5,
    case,
    item,
)
from watcher.cases.state import Case, NoticeKind, ToldOf
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, Subject, SubjectKind, about_drive, about_pool
from watcher.facts.pool import Protection
from watcher.notify.message_facts import CaseExtras
from watcher.notify.scene import Scene, happening_in, is_proven


def scene(made: Case | None, protection: Protection | None = None) -> Scene:
    return Scene(
        item=item(NoticeKind.OPENED, Urgency.NOW),
        case=made,
        extras=CaseExtras(protection=protection),
        box="attic",
        zone=OSLO,
        now=NOW,
    )


def pool_case(*findings: Finding) -> Case:
    return case(7, about_pool(ORCHARD), "orchard", *findings)


def test_the_cause_leads_when_the_title_says_how_the_pool_stands() -> None:
    shown = scene(pool_case(MARGIN_GONE, GONE_3), Protection.BARE)
    assert shown.finding == GONE_3
    assert shown.pool_finding == MARGIN_GONE
    assert happening_in(shown) == "bay 3: The drive is not there any more."


def test_what_is_new_about_a_pool_leads_when_the_title_does_not_say_it() -> None:
    """A rebuild that stands still is not what the title says; the drive lost before is old."""
    stalled = replace(MARGIN_GONE, rule="rebuild-stalled", sentence="The rebuild stands still.")
    told_of = tuple(
        ToldOf(key=f.key, urgency=f.urgency, level=f.level) for f in (MARGIN_GONE, stalled, GONE_3)
    )
    made = replace(pool_case(MARGIN_GONE, stalled, GONE_3), told_of=told_of)
    shown = scene(made, Protection.BARE)
    for lead in (stalled, MARGIN_GONE):
        told = replace(shown, item=replace(shown.item, finding=lead.key))
        assert told.finding == stalled


def test_a_way_back_that_is_blocked_leads_whoever_is_reminded() -> None:
    """ "Let it finish" is no advice while it stands still."""
    for rule in ("rebuild-stalled", "rebuild-cannot-finish"):
        blocked = replace(MARGIN_GONE, rule=rule, sentence="The rebuild is blocked.")
        three = (MARGIN_GONE, blocked, GONE_3)
        told_of = tuple(ToldOf(key=f.key, urgency=f.urgency, level=f.level) for f in three)
        made = replace(pool_case(*three), told_of=told_of)
        shown = scene(made, Protection.BARE)
        for lead in ("", MARGIN_GONE.key):
            reminded = replace(shown, item=replace(shown.item, finding=lead))
            assert reminded.finding == blocked
        no_drive = replace(shown, case=replace(pool_case(MARGIN_GONE, blocked), told_of=told_of))
        reminded = replace(no_drive, item=replace(no_drive.item, finding=MARGIN_GONE.key))
        assert reminded.finding == blocked


def test_what_weighs_only_beside_another_sign_does_not_lead() -> None:
    """Drives of one lot are told of more urgently because one of them frets: that comes first."""
    pending = replace(PENDING_5, urgency=Urgency.THIS_WEEK)
    lot = replace(MARGIN_GONE, rule="same-batch-risk", urgency=Urgency.THIS_WEEK)
    told_of = tuple(ToldOf(key=f.key, urgency=f.urgency, level=f.level) for f in (lot, pending))
    made = replace(pool_case(lot, pending), told_of=told_of)
    shown = scene(made, Protection.WHOLE)
    assert replace(shown, item=replace(shown.item, finding=lot.key)).finding == pending
    alone = scene(pool_case(lot), Protection.WHOLE)
    assert replace(alone, item=replace(alone.item, finding=lot.key)).finding == lot


def test_the_pool_leads_when_the_title_cannot_say_it_or_it_is_broken() -> None:
    assert scene(pool_case(MARGIN_GONE, GONE_3)).finding == MARGIN_GONE
    assert scene(pool_case(BROKEN, GONE_3), Protection.BROKEN).finding == BROKEN


def test_a_case_of_the_box_itself_does_not_name_it_twice() -> None:
    assert (
        scene(
            case(7, Subject(kind=SubjectKind.BOX, key=BoxId("attic")), "attic", MARGIN_GONE)
        ).place
        == "attic"
    )
    assert scene(pool_case(MARGIN_GONE)).place == "orchard on attic"


def test_a_lesser_sign_never_leads() -> None:
    assert scene(pool_case(MARGIN_GONE, PENDING_5), Protection.BARE).finding == MARGIN_GONE


def test_only_a_whole_pool_or_no_pool_at_all_proves_an_end() -> None:
    drive = case(8, about_drive(BAY_5), LABEL_5, CRC)
    endangers = case(8, about_drive(BAY_5), LABEL_5, PENDING_5)
    assert is_proven(scene(drive))
    assert not is_proven(scene(endangers))
    assert not is_proven(scene(pool_case(MARGIN_GONE)))
    assert not is_proven(scene(None))
    assert not is_proven(replace(scene(drive), extras=CaseExtras(is_left=True)))
    for protection in Protection:
        shown = scene(pool_case(MARGIN_GONE), protection)
        assert is_proven(shown) == (protection is Protection.WHOLE)
