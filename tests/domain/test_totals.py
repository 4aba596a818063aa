"""Why a production's figure is what it is: sums recomputed shot by shot, and the shots that carry them."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.progress import Figures
from service.domain.totals import FORMULAS, OF_SHOT, SENTENCES, Sum, Summand, TotalFigure, total


def figures(planned: int, credited: int, **more: int) -> Figures:
    return Figures(
        planned_frames=planned,
        shot_frames=more.get("shot", credited),
        credited_frames=credited,
        credited_cut_frames=more.get("cut", credited),
        remaining_frames=planned - credited,
        overshoot_frames=more.get("over", 0),
        provisional=bool(more.get("provisional")),
    )


def summand(shot: str, found: Figures, *, stored: Figures | None = None) -> Summand:
    return Summand(shot=shot, episode="101", figures=found, stored=stored or found)


MADE = st.tuples(st.integers(0, 200), st.integers(0, 200), st.integers(0, 9), st.integers(0, 1)).map(
    lambda of: figures(max(of[:2]), min(of[:2]), over=of[2], provisional=of[3] and min(of[:2]))
)


@given(st.lists(MADE, max_size=12), st.sampled_from(TotalFigure))
def test_a_total_is_the_sum_of_its_shots_and_nobody_else_carries_it(made: list[Figures], figure: TotalFigure) -> None:
    summands = [summand(f"{number:03}", each) for number, each in enumerate(made)]
    found = total(figure, summands)
    if figure is TotalFigure.PER_CENT:
        planned = sum(each.planned_frames for each in made)
        credited = sum(each.credited_frames for each in made)
        assert found.value == (Fraction(100 * credited, planned) if planned else None)
    else:
        assert found.value == sum(int(each.value(figure) or 0) for each in summands)
        assert found.value == sum(int(each.value(figure) or 0) for each in found.carriers)
    assert found.behind == ()
    weights = [each.weight(figure) for each in found.carriers]
    assert weights == sorted(weights, reverse=True)
    assert found.said.endswith(".")
    assert found.sum.shots == len(made)


def test_a_per_cent_is_no_mean_and_is_carried_by_what_is_left() -> None:
    """Σ first, then the quotient: 10 of 10 and 0 of 90 are 10 per cent, not 50."""
    found = total(TotalFigure.PER_CENT, [summand("0110", figures(10, 10)), summand("0120", figures(90, 0))])
    assert found.value == 10
    assert [each.shot for each in found.carriers] == ["0120"]
    assert found.said == "Credited are 10 of 100 planned frames; something is left of 1 of 2 shots."
    assert total(TotalFigure.PER_CENT, []).value is None


def test_what_one_shot_has_too_much_makes_up_for_nothing() -> None:
    made = [summand("0110", figures(96, 96, over=40)), summand("0120", figures(96, 60))]
    found = total(TotalFigure.REMAINING_FRAMES, made)
    assert (found.value, found.said) == (36, "Something is left of 1 of 2 shots: 36 of 192 planned frames.")


def test_shots_that_are_stored_otherwise_are_named() -> None:
    behind = summand("0110", figures(96, 60), stored=figures(96, 40))
    never = Summand(shot="0120", episode="101", figures=figures(96, 0), stored=None)
    found = total(TotalFigure.CREDITED_FRAMES, [behind, never, summand("0130", figures(96, 96))])
    assert found.behind == (behind, never)
    assert (behind.value(found.figure), behind.stored_value(found.figure)) == (60, 40)


@pytest.mark.parametrize("figure", TotalFigure)
def test_every_figure_has_its_words(figure: TotalFigure) -> None:
    assert figure in FORMULAS
    assert figure in SENTENCES
    assert OF_SHOT[figure] in {*Figures.__slots__}
    assert total(figure, []).unit in {"frames", "shots", "per cent"}
    assert figure is TotalFigure.PER_CENT or figure.value in Sum.__slots__
