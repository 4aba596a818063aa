"""Tables of what shots need say what was entered, whatever that is; no database is asked."""

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from service.api.needs import NeedsIn
from service.domain.codes import is_code
from service.domain.findings import Findings
from service.domain.needs_csv import read_needs, write_needs

CODES = st.from_regex(r"\A\w[\w.\-]{0,7}\Z").filter(is_code)
SAID = st.one_of(
    st.text(max_size=30), st.sampled_from(["=1", "'=1", "''+", "a,b", 'say "ah"', "a\nb", " -", "x2", "é;"])
)
BODIES: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {
        "set": st.none() | CODES,
        "set_up": st.none() | CODES,
        "insert_of": st.none() | CODES,
        "difficulty": st.none() | st.integers(1, 5),
        **{name: st.booleans() for name in ("moving_camera", "rig", "plate", "comp", "dialogue")},
        **{name: st.lists(CODES, min_size=1, max_size=4, unique=True) for name in ("cameras", "passes")},
        "characters": st.lists(st.fixed_dictionaries({"character": CODES, "copies": st.integers(1, 1000)}), max_size=4),
        "props": st.lists(SAID, max_size=4),
        "notes": st.none() | SAID,
    }
)


def accepted(body: dict[str, Any]) -> dict[str, Any] | None:
    """What is entered of a body, None where it would be refused."""
    try:
        return NeedsIn.model_validate(body).wanted()
    except ValidationError:
        return None


@settings(max_examples=300, derandomize=True)
@given(st.lists(st.tuples(CODES, BODIES), max_size=3, unique_by=lambda each: each[0]))
def test_whatever_can_be_entered_is_written_so_that_it_reads_back_as_the_same(
    bodies: list[tuple[str, dict[str, Any]]],
) -> None:
    entered = [(shot, {**values, "animator": None}) for shot, body in bodies if (values := accepted(body)) is not None]
    findings = Findings()
    lines = read_needs(write_needs(entered).encode(), findings)
    assert findings.settle() == ()
    assert [(line.shot, dict(line.wanted)) for line in lines] == [
        (NeedsIn.model_validate({"set": shot}).set_, values) for shot, values in entered
    ]
