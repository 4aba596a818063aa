"""Cuts: the frames of a shot keep their numbers whatever an editor does to its ends."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.cuts import (
    CoversRefused,
    CutShot,
    ShotCut,
    by_shot,
    covered,
    merged,
    numbered,
    untold_reels,
)
from service.domain.findings import FindingKind
from service.domain.uses import Use

NOTHING_UNTOLD: frozenset[str] = frozenset()


def use(shot: str = "0120", *, at: int = 90_000, frames: int = 96, reel: str | None = "board", **more: int) -> Use:
    """A use at this frame of the record; `source_in` is where it begins on its reel."""
    source_in = more.get("source_in", 1000) if reel is not None else None
    return Use(
        shot=shot,
        record_in=at,
        frames=frames,
        source=reel,
        source_in=source_in,
        source_frames=more.get("source_frames", frames) if reel is not None else None,
        extra_frames=more.get("extra_frames", 0),
        line=more.get("line", 1),
    )


def locked(*listed: Use, counted: bool = True) -> CutShot:
    """A shot whose first cut had these uses."""
    return CutShot(cut=numbered(listed, None, untold=NOTHING_UNTOLD).cut, listed=True, counted=counted)


class TestNumbers:
    def test_a_first_lock_numbers_the_cut_from_one(self) -> None:
        cut = numbered([use(source_in=4711)], None, untold=NOTHING_UNTOLD).cut

        assert (cut.uses, cut.source, cut.source_zero) == (((1, 96),), "board", 4711)

    # Common practice: frames keep their numbers, whichever end comes off or grows.
    @pytest.mark.parametrize(
        ("source_in", "frames", "uses"),
        [
            pytest.param(1000, 80, (1, 80), id="16 off the tail"),
            pytest.param(1016, 80, (17, 96), id="16 off the head"),
            pytest.param(1000, 110, (1, 110), id="14 more at the tail"),
            pytest.param(990, 106, (-9, 96), id="10 more at the head"),
            pytest.param(1008, 80, (9, 88), id="8 off either end"),
            pytest.param(1010, 96, (11, 106), id="slipped by 10"),
        ],
    )
    def test_a_re_cut_says_which_end_by_its_source_side(
        self, source_in: int, frames: int, uses: tuple[int, int]
    ) -> None:
        found = numbered([use(source_in=source_in, frames=frames)], locked(use()), untold=NOTHING_UNTOLD)

        assert (found.cut.uses, found.end_known) == ((uses,), True)

    @pytest.mark.parametrize(
        "listed",
        [
            pytest.param(use(reel="other", source_in=1016, frames=80), id="another reel"),
            pytest.param(use(reel=None, frames=80), id="no source side"),
            pytest.param(use(source_in=1000, frames=80, source_frames=96), id="another speed"),
            pytest.param(use(source_in=9000, frames=80), id="far from what was"),
        ],
    )
    def test_where_the_source_side_cannot_tell_the_tail_is_taken(self, listed: Use) -> None:
        found = numbered([listed], locked(use()), untold=NOTHING_UNTOLD)

        assert (found.cut.uses, found.end_known) == (((1, 80),), False)

    def test_a_list_from_another_reel_that_changes_no_length_changes_nothing(self) -> None:
        trimmed = CutShot(cut=ShotCut(uses=((17, 96),), source="board", source_zero=1000), listed=True, counted=True)

        found = numbered([use(reel="board-2", source_in=500, frames=80)], trimmed, untold=NOTHING_UNTOLD)

        assert (found.cut.uses, found.end_known) == (((17, 96),), True)
        # From now on that reel tells: its frame 500 is the shot's frame 17.
        assert (found.cut.source, found.cut.source_zero) == ("board-2", 484)

    def test_two_uses_of_a_shot_are_two_ranges_of_it(self) -> None:
        listed = [use(frames=40), use(at=91_000, frames=40, source_in=1060)]

        assert numbered(listed, None, untold=NOTHING_UNTOLD).cut.uses == ((1, 40), (61, 100))

    def test_the_same_frames_shown_twice_are_planned_once(self) -> None:
        cut = numbered([use(frames=40), use(at=91_000, frames=40)], None, untold=NOTHING_UNTOLD).cut

        assert (cut.uses, cut.frames) == (((1, 40), (1, 40)), 40)

    def test_a_dissolve_asks_for_frames_behind_its_use(self) -> None:
        cut = numbered([use(source_in=1016, frames=80, extra_frames=12)], locked(use()), untold=NOTHING_UNTOLD).cut

        assert (cut.uses, cut.dissolves) == (((17, 96),), ((97, 108),))

    @pytest.mark.parametrize(("counted", "frames", "known"), [(False, 80, True), (True, 80, False), (True, 96, True)])
    def test_the_first_list_of_a_shot_planned_by_hand_is_its_first_lock(
        self, *, counted: bool, frames: int, known: bool
    ) -> None:
        by_hand = CutShot(cut=ShotCut(uses=((1, 96),)), listed=False, counted=counted)

        found = numbered([use(frames=frames, source_in=4711)], by_hand, untold=NOTHING_UNTOLD)

        assert (found.cut.uses, found.cut.source_zero, found.end_known) == (((1, frames),), 4711, known)

    @given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 60)), min_size=1, max_size=6))
    def test_a_frame_of_the_reel_is_the_same_frame_of_the_shot_in_every_cut(self, cuts: list[tuple[int, int]]) -> None:
        # Every cut shows frame 1060 of the reel, so that each can be laid beside the one before.
        standing: CutShot | None = None
        zero = 1060 - cuts[0][0]
        for before, after in cuts:
            listed = [use(source_in=1060 - before, frames=before + after)]
            found = numbered(listed, standing, untold=NOTHING_UNTOLD)
            assert found.end_known
            assert found.cut.uses == ((1060 - before - zero + 1, 1060 + after - zero),)
            standing = CutShot(cut=found.cut, listed=True, counted=True)


class TestFlattenedReels:
    """An animatic rendered to one reel has the record's own numbers, which say nothing of a shot's ends."""

    def reel(self, *lengths: int, shift: int = 0, first_in: int = 0) -> dict[str, list[Use]]:
        """Shots one after the other, lying on the reel as on the record but `shift` frames away."""
        uses, at = {}, 90_000
        for number, frames in enumerate(lengths):
            shot = f"0{number + 1}0"
            uses[shot] = [use(shot, at=at, frames=frames, source_in=at + shift + (first_in if number == 0 else 0))]
            at += frames
        return uses

    def standing(self, listed: dict[str, list[Use]]) -> dict[str, CutShot]:
        return {shot: locked(*uses) for shot, uses in listed.items()}

    @pytest.mark.parametrize("shift", [0, -90_000])
    def test_a_longer_shot_does_not_slip_the_ones_behind_it(self, shift: int) -> None:
        before = self.standing(self.reel(40, 50, 60, shift=shift))
        after = self.reel(54, 50, 60, shift=shift)

        assert untold_reels(after, before) == {"board"}

    def test_a_reel_on_which_the_others_lie_still_is_believed(self) -> None:
        before = self.standing(self.reel(40, 50, 60, shift=-90_000))
        # 16 frames off the head of the first: its source begins later, the record of the others earlier.
        listed = self.reel(24, 50, 60, shift=-90_000 + 16)

        assert untold_reels(listed, before) == frozenset()
        found = numbered(listed["010"], before["010"], untold=frozenset())
        assert (found.cut.uses, found.end_known) == (((17, 40),), True)

    def test_reels_with_the_shots_own_numbers_are_believed(self) -> None:
        listed = {"010": [use("010", at=0, source_in=500)], "020": [use("020", at=96, source_in=2000)]}

        assert untold_reels(listed, {}) == frozenset()


def uses_of(*shots: str, frames: int = 10, start: int = 0) -> list[Use]:
    return [use(shot, at=start + place * frames, frames=frames, line=place + 1) for place, shot in enumerate(shots)]


class TestCovers:
    def test_the_whole_episode_is_no_limit(self) -> None:
        assert covered("episode", uses_of("a")) is None

    @pytest.mark.parametrize(
        ("covers", "shots"),
        [("b-c", {"b", "c"}), ("b-b", {"b"}), ("e1-quay-1-e1-quay-2", {"e1-quay-1", "e1-quay-2"})],
    )
    def test_first_and_last_name_what_lies_between_in_the_cut(self, covers: str, shots: set[str]) -> None:
        current = uses_of("a", "b", "c", "e1-quay-1", "e1-quay-2")
        assert set(covered(covers, current) or ()) == shots

    @pytest.mark.parametrize(
        ("covers", "says"),
        [
            ("b-x", "its first shot is a, its last a-b"),
            ("b", "FIRST-LAST"),
            ("c-b", "b comes before c"),
            ("a-b-c", "more than one way"),
        ],
    )
    def test_anything_else_is_refused_with_what_would_be_right(self, covers: str, says: str) -> None:
        with pytest.raises(CoversRefused, match=says):
            covered(covers, uses_of("a", "b", "c", "b-c", "a-b"))

    def test_an_episode_without_a_cut_has_no_part(self) -> None:
        with pytest.raises(CoversRefused, match="has none yet"):
            covered("a-b", ())

    def test_shots_outside_keep_their_uses_and_the_seams_are_told(self) -> None:
        current = uses_of("a", "b", "c")
        listed = [use("b", at=10, frames=14, line=3)]

        whole, findings = merged(listed, current, frozenset({"b"}))

        assert [(each.shot, each.record_in, each.frames) for each in whole] == [
            ("a", 0, 10),
            ("b", 10, 14),
            ("c", 20, 10),
        ]
        assert [(each.kind, each.line, each.fault) for each in findings] == [(FindingKind.OVERLAP, 3, False)]

    def test_a_list_may_not_name_a_shot_it_does_not_cover(self) -> None:
        whole, findings = merged(uses_of("b", "c"), uses_of("a", "b", "c"), frozenset({"b"}))

        assert [each.kind for each in findings if each.fault] == [FindingKind.NOT_COVERED]
        assert sorted(each.shot for each in whole) == ["a", "b", "c", "c"]


@given(st.permutations(["a", "b", "c", "a", "b"]))
def test_uses_are_gathered_by_shot_in_the_order_of_the_record(shots: Sequence[str]) -> None:
    listed = uses_of(*shots)
    found = by_shot(reversed(listed))
    assert {shot: [each.record_in for each in uses] for shot, uses in found.items()} == {
        shot: [place * 10 for place, each in enumerate(shots) if each == shot] for shot in set(shots)
    }
