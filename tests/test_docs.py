"""What the author of a worker or a channel reads: every kind of event and every field of the contract says what it is.

What is described over HTTP is looked at in `tests/api/test_docs.py`, settings in `tests/test_readme.py`.
"""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from inspect import getmembers, isclass
from types import FunctionType
from typing import get_args, get_type_hints

import pytest
from pydantic import BaseModel

from service.domain.events import MEANINGS, EventKind
from workers import contract
from workers.channels import contract as channel_contract


def reachable(kind: object) -> Iterator[type]:
    """The dataclasses of ours a type is made of, itself included."""
    for part in get_args(kind):
        yield from reachable(part)
    if isclass(kind) and is_dataclass(kind) and kind.__module__.startswith(("service.", "workers.")):
        yield kind
        for hint in get_type_hints(kind).values():
            yield from reachable(hint)


KINDS = [kind for module in (contract, channel_contract) for _, kind in getmembers(module, isclass)]
OWN = [kind for kind in KINDS if kind.__module__.startswith("workers.")]
HANDED = sorted({found for kind in KINDS for found in reachable(kind)}, key=str)


def test_every_kind_of_event_says_what_it_tells_of() -> None:
    assert list(MEANINGS) == list(EventKind)
    assert [kind for kind, told in MEANINGS.items() if not told.endswith(".")] == []


@pytest.mark.parametrize("kind", HANDED, ids=lambda kind: kind.__name__)
def test_every_field_a_worker_sees_is_described(kind: type) -> None:
    described = kind.__doc__ or ""
    assert [each.name for each in fields(kind) if f"`{each.name}`" not in described] == []


@pytest.mark.parametrize("kind", OWN, ids=lambda kind: kind.__name__)
def test_every_part_of_the_contract_is_described(kind: type) -> None:
    assert kind.__doc__
    # What a dataclass or a model is made with is its fields.
    members = [] if is_dataclass(kind) or issubclass(kind, BaseModel) else vars(kind).items()
    named = [(name, each) for name, each in members if isinstance(each, (FunctionType, property))]
    assert [name for name, each in named if not name.startswith("_") and not each.__doc__] == []
