"""What would come of an absence or a closed stage: against comparing hour by hour."""

from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.bookings import Booking, Shared
from service.domain.spans import Span, seconds_of
from service.domain.whatifs import Away, Displaced, displaced, freed, given_up, lost
from tests.domain.test_bookings import BOOKINGS, booking, seconds


def away(start_h: float, end_h: float, *, who: str | None = "Ilse", stage: int = 1) -> Away:
    span = booking(0, start_h, end_h).span
    return Away(shared=Shared.STAGE if who is None else Shared.ANIMATOR, what=stage if who is None else who, span=span)


def test_who_is_away_loses_the_part_of_a_booking_that_lies_in_it() -> None:
    mine, other, later = booking(1, 9, 18, who="Ilse"), booking(2, 9, 18, who="Tove"), booking(3, 20, 22, who="Ilse")

    (found,) = lost(away(12, 20), [mine, other, later])
    assert (found.booking, found.span) == (mine, booking(0, 12, 18).span)
    assert [each.booking.id for each in lost(away(0, 24, who=None), [other, mine, later])] == [1, 2, 3]


def test_a_stage_is_free_where_nobody_else_has_booked_it() -> None:
    gone = lost(away(12, 18), [booking(1, 9, 18, who="Ilse"), booking(2, 9, 18, stage=None, who="Ilse")])

    ahead = given_up([booking(1, 9, 18)], now=booking(0, 12, 13).span.start_at)
    assert freed(gone, []) == {1: freed(ahead, [])[1]}
    (time,) = freed(gone, [booking(3, 13, 14), booking(4, 9, 18, stage=2)]).values()
    assert time.spans == (booking(0, 12, 13).span, booking(0, 14, 18).span)
    assert freed(gone, [booking(3, 9, 20)]) == {}


def test_a_shot_loses_its_place_and_may_have_others() -> None:
    losing: dict[int, int | None] = {4: 120, 2: 130, 5: 120, 6: None}
    having: dict[int, int | None] = {1: 120, 2: 130, 4: 120, 5: 120}

    assert displaced(losing, having) == [
        Displaced(shot_id=120, loses=(4, 5), keeps=(1,)),
        Displaced(shot_id=130, loses=(2,), keeps=()),
    ]


@settings(max_examples=60)
@given(BOOKINGS, st.integers(0, 20), st.integers(1, 8), st.sampled_from(["Ilse", "Tove", None]))
def test_what_is_lost_and_what_is_free_are_what_counting_seconds_finds(
    bookings: tuple[Booking, ...], start: int, length: int, who: str | None
) -> None:
    span = Span(*(booking(0, 0, 1).span.start_at.replace(minute=0, second=each) for each in (start, start + length)))
    imagined = Away(shared=Shared.STAGE if who is None else Shared.ANIMATOR, what=1 if who is None else who, span=span)
    wanted = set(range(seconds_of(span.start_at), seconds_of(span.end_at)))

    gone = lost(imagined, bookings)
    assert {each.booking.id: each.span.length_s for each in gone} == {
        each.id: len(seconds(each) & wanted)
        for each in bookings
        if (each.animator == who if who else each.stage_id == 1) and seconds(each) & wanted
    }
    staying = [each for each in bookings if each.id not in {of.booking.id for of in gone}]
    for stage in (1, 2):
        given_time = {second for of in gone if of.booking.stage_id == stage for second in seconds(of.booking) & wanted}
        taken = {second for each in staying if each.stage_id == stage for second in seconds(each)}
        found = freed(gone, staying).get(stage)
        assert len(found or ()) == len(given_time - taken)
