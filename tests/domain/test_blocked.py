"""What waits for whom: each lack in one group, and nobody chased for what somebody else must do first."""

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

from service.domain.addresses import ADDRESSES
from service.domain.blocked import PARTIES, Blocked, Party, Shot, blocked
from service.domain.days import built, plain
from service.domain.moves import blocked_by
from service.domain.phases import Fact, Phase
from tests.domain.standings import PLACE, READY, standing_of
from tests.domain.walks import WORK, Sheet, wander

BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)


def shots(*sheets: Sheet) -> list[Shot]:
    """Shots 1, 2, … of these sheets, each in its phase for a day less than the one before."""
    return [
        Shot(place=replace(PLACE, shot=str(number)), since=BEGAN + timedelta(days=number), standing=standing_of(sheet))
        for number, sheet in enumerate(sheets, 1)
    ]


def waits(found: Blocked) -> dict[tuple[str, str], list[str]]:
    return {(each.party.value, each.fact.value): [shot.place.shot for shot in each.shots] for each in found.waits}


def _walked() -> Iterator[Sheet]:
    random = Random(7)
    for number in range(400):
        sheet = READY if number % 2 else Sheet()
        for _ in range(3):
            sheet = wander(sheet, random)
        yield replace(sheet, phase=random.choice(WORK))


def test_every_lack_of_every_shot_is_in_one_group() -> None:
    """Compared with what each shot alone says keeps it from its next phase."""
    asked = [shot for shot in shots(*_walked()) if shot.standing.phase is not Phase.APPROVED]
    found = blocked(asked, limit=1000)
    told = Counter((each.place.shot, wait.fact) for wait in found.waits for each in wait.shots)
    alone = Counter((shot.place.shot, lack.fact) for shot in asked for lack in blocked_by(shot.standing))
    assert told == alone
    assert found.blocked_shots == len({shot for shot, _ in alone})
    free = {shot.place.shot for shot in asked if not shot.standing.facts.plan.omitted} - {shot for shot, _ in alone}
    assert {each.place.shot for each in found.ready} == free != set()
    for party in Party:
        own = {each.place.shot for wait in found.waits if wait.party is party for each in wait.shots}
        assert found.by_party[party] == len(own)


def test_frames_nobody_has_shot_wait_for_the_stage_and_all_that_were_for_the_director() -> None:
    needless = replace(READY, phase="shooting", needs=())
    found = blocked(shots(replace(needless, frames="some"), replace(needless, frames="all"), needless), limit=9)
    assert waits(found) == {
        ("director", "planned frames accepted"): ["2"],
        ("stage", "planned frames accepted"): ["1"],
    }
    told = {wait.party: shot.lack for wait in found.waits for shot in wait.shots if shot.lack}
    assert (told[Party.STAGE].method, told[Party.STAGE].path) == ("POST", "/v1/counts")
    assert told[Party.DIRECTOR].path == "/v1/productions/lantern-bay/shots/2/takes/1/decisions"
    assert [(each.place.shot, each.to) for each in found.ready] == [("3", Phase.APPROVAL)]


def test_shots_stand_under_each_fact_they_lack_and_the_longest_in_their_phase_first() -> None:
    dressing = replace(READY, phase="set dressing", signed=frozenset({"dialogue"}))
    older, newer = shots(dressing, replace(dressing, animator=False))
    found = blocked([newer, older], limit=2)
    assert waits(found) == {
        ("director", "set approved"): ["1", "2"],
        ("director", "framing approved by the director"): ["1", "2"],
        ("camera operator", "framing approved by the camera operator"): ["1", "2"],
        ("coordinator", "animator named"): ["2"],
    }
    assert found.blocked_shots == 2
    assert found.by_party == dict.fromkeys(Party, 0) | {
        Party.DIRECTOR: 2,
        Party.CAMERA_OPERATOR: 2,
        Party.COORDINATOR: 1,
    }


def test_an_omitted_shot_waits_for_nothing_and_a_suspended_one_says_why() -> None:
    found = blocked(shots(Sheet(omitted=True), replace(READY, suspended=True)), limit=9)
    assert waits(found) == {("coordinator", "not suspended"): ["2"]}
    assert found.waits[0].shots[0].suspended == "the armature broke"
    assert found.ready == ()


def test_an_approved_shot_waits_only_where_it_changed_since_or_its_approval_is_gone() -> None:
    """And not for what an override once set aside, as a set nobody signed."""
    approved = replace(READY, phase="approved", signed=frozenset())
    again = replace(approved, generation=2)
    found = blocked(shots(approved, again, replace(approved, approval=None)), limit=9)
    assert waits(found) == {
        ("director", "approval signed for the frames as they are"): ["2", "3"],
        ("compositor", "comp delivered for the frames now accepted, or none asked for"): ["2"],
    }
    assert {each.to for wait in found.waits for each in wait.shots} == {None}
    assert found.ready == ()


def test_who_can_do_something_is_said_of_every_fact_and_agrees_with_its_address() -> None:
    assert set(PARTIES) == set(Fact)
    own_stage = {Fact.FRAMES_SHOT, Fact.PLATE_SHOT}
    for fact, party in PARTIES.items():
        assert party.value in ADDRESSES[fact].who or fact in own_stage, fact


def test_what_is_kept_of_it_reads_back_as_the_same_and_counts_all_of_what_it_names_some() -> None:
    asked = list(shots(*_walked()))
    every, found = blocked(asked, limit=1000), blocked(asked, limit=2)
    assert built(Blocked, json.loads(json.dumps(plain(found)))) == found
    assert [(wait.fact, wait.count, wait.shots) for wait in found.waits] == [
        (wait.fact, len(wait.shots), wait.shots[:2]) for wait in every.waits
    ]
    assert max(wait.count for wait in found.waits) > 2
    assert (found.ready_shots, found.ready) == (len(every.ready), every.ready[:2])
