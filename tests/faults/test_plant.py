"""The list of planted faults keeps up with the source; that each is noticed is a step of .ci/run."""

import pytest

from tests.faults.children import HOUSE
from tests.faults.plant import FAULTS, Fault


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.name for fault in FAULTS])
def test_a_fault_has_its_place_in_the_source_and_a_test_named_for_it(fault: Fault) -> None:
    for edit in fault.edits:
        assert (HOUSE / edit.file).read_text().count(edit.old) == 1, f"{edit.file} has not once: {edit.old}"
        assert edit.new != edit.old
    file, _, name = fault.test.partition("::")
    # One case of a test with several has its name in brackets.
    alone = name.rpartition("::")[2].partition("[")[0]
    assert f"def {alone}(" in (HOUSE / file).read_text()


def test_no_two_faults_have_one_name() -> None:
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
