"""Which finding leads a message, and when an end may be called an all-clear."""

from __future__ import annotations

from dataclasses import replace

import pytest

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


GONE_5 = replace(GONE_3, subject=about_drive(BAY_5), label=LABEL_5)
NOTE_5 = replace(PENDING_5, urgency=Urgency.NOTE)


@pytest.mark.parametrize(
    ("standing", "told", "item_of", "lead", "named"),
    [
        # what is silent is not named, be it more urgent, also where the word waited too long
        ((GONE_3, PENDING_5), (PENDING_5,), PENDING_5, PENDING_5, (PENDING_5,)),
        ((GONE_3, PENDING_5), (PENDING_5,), GONE_5, PENDING_5, (PENDING_5,)),
        ((MARGIN_GONE, PENDING_5), (PENDING_5,), GONE_5, PENDING_5, (PENDING_5,)),
        # of two that are as urgent, the one that the message is about
        ((GONE_3, GONE_5), (GONE_3, GONE_5), GONE_5, GONE_5, (GONE_3, GONE_5)),
        ((GONE_3, GONE_5), (GONE_3, GONE_5), GONE_3, GONE_3, (GONE_3, GONE_5)),
        # what it is about is named before it is written down as told; notes never are
        ((GONE_3, NOTE_5), (), GONE_3, GONE_3, (GONE_3,)),
        # where nothing is known of what was told: all that weighs, and else what stands
        ((GONE_3, PENDING_5, NOTE_5), (), GONE_5, GONE_3, (GONE_3, PENDING_5)),
        ((NOTE_5,), (), GONE_5, NOTE_5, (NOTE_5,)),
    ],
)
def test_a_message_names_what_people_hear_of_and_leads_with_what_it_is_about(
    standing: tuple[Finding, ...],
    told: tuple[Finding, ...],
    item_of: Finding,
    lead: Finding,
    named: tuple[Finding, ...],
) -> None:
    told_of = tuple(ToldOf(key=f.key, urgency=f.urgency, level=f.level) for f in told)
    shown = scene(replace(pool_case(*standing), told_of=told_of))
    shown = replace(shown, item=replace(shown.item, finding=item_of.key))
    assert (shown.finding, shown.audible) == (lead, named)
    assert shown.pool_finding is None


def test_the_pools_own_finding_is_given_beside_a_lead_only_where_it_is_as_urgent() -> None:
    lesser = replace(MARGIN_GONE, urgency=Urgency.TODAY)
    for own, beside in ((MARGIN_GONE, MARGIN_GONE), (lesser, None)):
        shown = scene(pool_case(own, GONE_3), Protection.BARE)
        assert (shown.finding, shown.pool_finding) == (GONE_3, beside)


def test_what_happened_names_its_part_once() -> None:
    for sentence, said in (
        ("It is gone.", "bay 3: It is gone."),
        ("Bay 3 is gone.", "Bay 3 is gone."),
        ("\u202e", "bay 3: Something needs a look."),
    ):
        shown = scene(pool_case(replace(GONE_3, sentence=sentence)))
        assert happening_in(shown) == said
    own = scene(case(8, about_drive(BAY_5), LABEL_5, CRC))
    assert happening_in(own) == CRC.sentence
    assert happening_in(scene(None)) == "Something needs a look."
