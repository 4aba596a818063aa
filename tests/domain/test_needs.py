"""What follows from what a shot needs."""

import pytest

from service.domain.needs import Cast, Needs, twice


@pytest.mark.parametrize(
    ("needs", "plate", "comp"),
    [
        (Needs(), False, False),
        (Needs(rig=True), True, True),
        (Needs(plate=True), True, True),
        (Needs(comp=True), False, True),
        (Needs(dialogue=True, difficulty=5), False, False),
    ],
)
def test_a_rig_needs_a_plate_and_a_plate_a_comp(needs: Needs, *, plate: bool, comp: bool) -> None:
    """Common practice: the support is painted over from an empty frame, which is compositing."""
    assert (needs.plate_needed, needs.comp_needed) == (plate, comp)


def test_values_are_those_of_json_and_back() -> None:
    needs = Needs(set_="mill", rig=True, difficulty=2, characters=(Cast("pell", 2),), props=("sack",), notes="a\nb")
    values = needs.values()
    assert values["characters"] == [{"character": "pell", "copies": 2}]
    assert (values["set"], values["props"], "set_" in values) == ("mill", ["sack"], False)
    assert Needs.of(values) == needs


def test_the_first_that_is_there_again() -> None:
    assert twice(["a", "b", "b", "a"]) == "b"
    assert twice(["a", "b"]) is None
