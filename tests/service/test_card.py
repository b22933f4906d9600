"""The readiness card: each line a rule with its own term, and no mark out of ten."""

from __future__ import annotations

import re
from dataclasses import replace

from tests.rules.build import DAY, T0, TANK, pool, pool_past, reading, self_test, view
from tests.rules.test_copies import GOOD, thing
from tests.rules.test_readiness import FITS, drill, spare
from watcher.facts.drive import Metric
from watcher.facts.readiness import Preparation, RestoreTried
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View
from watcher.service.card import RULES_OF, Card, Line, Standing, Topic, card_of

PREPARED = Preparation(
    shelf=(spare(proven_at=T0 - DAY),),
    fits=(FITS,),
    things=(thing(*GOOD),),
    restores=(RestoreTried(thing="photos", copy="nas", at=T0 - DAY, by="Ana"),),
    drills=(replace(drill(9), answered_at=T0 - 9 * DAY, answered_by="Ben"),),
    watched_since=T0 - 2 * DAY,
    answered_at=T0 - 9 * DAY,
    answered_by="Ben",
    reached_away=True,
    beats=True,
)


def seen(ready: Preparation | None) -> View:
    tested = reading("a", {Metric.POWER_ON_HOURS: 1100}, self_tests=(self_test(),))
    past = pool_past(scrubbed_at=T0 - 3 * DAY)
    return replace(view(tested, pools=(pool(),), pool_pasts=(past,)), ready=ready)


def card(ready: Preparation | None = PREPARED) -> Card:
    return card_of(seen(ready), UNTUNED)


def lines(found: Card, topic: Topic) -> list[Line]:
    return [line for line in found.lines if line.topic is topic]


def test_a_prepared_box_is_said_to_be_so_with_the_proof_of_each_line() -> None:
    found = card()
    assert [line.standing for line in found.lines] == [Standing.READY] * len(Topic)
    assert found.sentence == "attic is prepared for the loss of a drive, as far as can be seen."
    words = {line.topic: line.sentence for line in found.lines}
    assert "prove again by" in words[Topic.SHELF]
    assert "2 fresh copies" in words[Topic.COPIES]
    assert "tank 3 days" in words[Topic.SCRUBS]
    assert "by Ben" in words[Topic.ROUTE]


def test_an_unprepared_box_is_told_all_it_lacks_without_grace() -> None:
    found = card(Preparation(watched_since=T0, reached_away=False, beats=False))
    lacking = {line.topic for line in found.lines if line.standing is Standing.LACKS}
    assert {Topic.SHELF, Topic.DRILL, Topic.ROUTE, Topic.HEARTBEAT} <= lacking
    assert all(line.next_step for line in found.lines if line.standing is Standing.LACKS)


def test_what_is_not_known_is_never_called_ready() -> None:
    found = card_of(view(), UNTUNED)
    assert {line.standing for line in found.lines} <= {Standing.UNSEEN, Standing.LACKS}
    for topic in (Topic.COPIES, Topic.SCRUBS, Topic.SELF_TESTS, Topic.RESTORES):
        assert [line.standing for line in lines(found, topic)] == [Standing.UNSEEN]
    assert "cannot be judged" in found.sentence


def test_what_holds_of_several_drives_is_said_once_and_names_them() -> None:
    hours = {Metric.POWER_ON_HOURS: 30_000}
    for names in ("a", "abc"):
        box = view(*(reading(name, hours) for name in names))
        (line,) = lines(card_of(box, UNTUNED), Topic.SELF_TESTS)
        assert line.sentence.count("no full self-test") == 1
        assert len(line.about) == len(names)
        assert all(f"sd{name}" in line.sentence for name in names)
    assert "So it is with 3:" in line.sentence


def test_nothing_declared_irreplaceable_is_not_a_backup() -> None:
    (line,) = lines(card(replace(PREPARED, things=())), Topic.COPIES)
    assert line.standing is Standing.UNSEEN
    assert "Redundancy is no backup." in line.next_step


def test_every_line_names_the_rule_by_which_it_is_judged() -> None:
    known = {*CATALOGUE, "messages-do-not-arrive"}
    for found in (card(), card(Preparation(watched_since=T0))):
        assert all(line.rule in RULES_OF[line.topic] for line in found.lines)
    assert {rule for rules in RULES_OF.values() for rule in rules} <= known


def test_it_gives_no_number_of_points() -> None:
    for found in (card(), card(Preparation())):
        text = " ".join([found.sentence, *(line.sentence for line in found.lines)])
        assert not re.search(r"\d+ ?(/|of|out of) ?\d+ ?(points|%)?|\d+ ?%", text)


def test_several_things_that_one_topic_lacks_are_several_lines() -> None:
    bad = replace(PREPARED, shelf=(spare(failed_at=T0),))
    assert len(lines(card(bad), Topic.SHELF)) == 2
    assert "lacks something in shelf" in card(bad).sentence


def test_an_ordered_spare_is_not_ready_and_a_hot_spare_is() -> None:
    coming = replace(PREPARED, shelf=(spare(identity=None, ordered=True),), fits=())
    assert [line.standing for line in lines(card(coming), Topic.SHELF)] == [Standing.LACKS]
    hot = replace(PREPARED, shelf=(), hot_spares=((TANK, 1),))
    assert [line.standing for line in lines(card(hot), Topic.SHELF)] == [Standing.READY]


def test_a_drill_that_nobody_answered_is_not_ready() -> None:
    unheard = replace(PREPARED, drills=(drill(9),))
    (line,) = lines(card(unheard), Topic.DRILL)
    assert line.standing is Standing.LACKS


def test_firmware_is_said_to_be_out_of_scope() -> None:
    assert "firmware" in card().out_of_scope
