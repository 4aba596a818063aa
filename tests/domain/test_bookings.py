"""Which bookings clash, against comparing every pair instant by instant."""

from datetime import timedelta
from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from service.domain.bookings import Booking, Clash, Firmness, Shared, clashes, clashes_of
from service.domain.spans import Span, instant_of

HOUR = timedelta(hours=1)
NINE = instant_of(0) + 9 * HOUR


def booking(number: int, start_h: float, end_h: float, *, stage: int | None = 1, who: str | None = None) -> Booking:
    span = Span(instant_of(0) + start_h * HOUR, instant_of(0) + end_h * HOUR)
    return Booking(id=number, span=span, stage_id=stage, animator=who, firmness=Firmness.CONFIRMED)


def drawn(number: int) -> st.SearchStrategy[Booking]:
    return st.builds(
        lambda start, hours, stage, who, firmness: Booking(
            id=number,
            span=Span(instant_of(start), instant_of(start + hours)),
            stage_id=stage,
            animator=who if stage is not None or who is not None else "Ilse",
            firmness=firmness,
        ),
        st.integers(0, 20),
        st.integers(1, 8),
        st.sampled_from([None, 1, 2]),
        st.sampled_from([None, "Ilse", "Tove"]),
        st.sampled_from(Firmness),
    )


BOOKINGS = st.integers(0, 9).flatmap(lambda many: st.tuples(*(drawn(number) for number in range(1, many + 1))))


def seconds(one: Booking) -> set[int]:
    return set(range(int(one.span.start_at.timestamp()), int(one.span.end_at.timestamp())))


def compared(bookings: tuple[Booking, ...]) -> list[Clash]:
    found = []
    for one, other in combinations(bookings, 2):
        if seconds(one) & seconds(other):
            firm = {one.firmness, other.firmness} == {Firmness.CONFIRMED}
            if one.stage_id is not None and one.stage_id == other.stage_id:
                found.append(Clash(one.id, other.id, Shared.STAGE, firm=firm))
            if one.animator is not None and one.animator == other.animator:
                found.append(Clash(one.id, other.id, Shared.ANIMATOR, firm=firm))
    return sorted(found)


def test_touching_bookings_do_not_clash_and_overlapping_ones_do() -> None:
    morning, noon, lunch = booking(1, 9, 12), booking(2, 12, 14), booking(3, 11.5, 12.5)

    assert clashes([morning, noon]) == ()
    assert clashes([morning, noon, lunch]) == (
        Clash(1, 3, Shared.STAGE, firm=True),
        Clash(2, 3, Shared.STAGE, firm=True),
    )


def test_an_animator_is_in_one_place_at_a_time() -> None:
    here, there = booking(1, 9, 12, stage=1, who="Ilse"), booking(2, 10, 11, stage=2, who="Ilse")

    assert clashes([here, there]) == (Clash(1, 2, Shared.ANIMATOR, firm=True),)
    assert clashes([here, booking(3, 10, 11, stage=2, who="Tove")]) == ()


@given(BOOKINGS)
def test_clashes_are_those_that_comparing_all_pairs_finds(bookings: tuple[Booking, ...]) -> None:
    assert list(clashes(bookings)) == compared(bookings)
    for one in bookings:
        assert list(clashes_of(one, bookings)) == [
            each for each in compared(bookings) if one.id in {each.one, each.other}
        ]
