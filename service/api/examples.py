"""What the documentation shows of answers: examples of success and of every refusal an operation may give."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import fields
from http import HTTPStatus
from typing import Any

from service.api.errors import PROBLEM_JSON, problem_of, status_of, title_of
from service.domain.keys import Scope
from service.domain.refusals import Fault, Refusal

Responses = dict[int | str, dict[str, Any]]

# What a fact of a refusal is in its example, by the name of its field.
FACTS: Mapping[str, Any] = {
    "allowed": ("GET", "HEAD", "POST", "OPTIONS"),
    "accepted": ("application/json",),
    "bound": "tin-moon",
    "after": 9000,
    "by": "office",
    "bookings": (3, 4),
    "camera": "mian",
    "cameras": ("main",),
    "clashes": ({"shared": "stage", "firm": True, "changes": True, "bookings": [{"booking": 3}, {"booking": 4}]},),
    "count": 4711,
    "counts": (4711, 4712),
    "causes": ("performance", "light"),
    "credited_frames": 61,
    "day": "2026-10-24",
    "current": {"code": "lantern-bay", "title": "Lantern Bay", "frame_rate": "25/1", "rev": 3},
    "draft": 2,
    "episode": "101",
    "etag": '"3.0.5f1d2c3b"',
    "expires_at": "2026-03-31T22:00:00Z",
    "facts_set_aside": ("set approved",),
    "faults": (Fault("Input should be a valid integer", pointer="#/cut_frames"),),
    "figure": "percent",
    "figures": ("planned_frames", "shot_frames", "credited_frames"),
    "findings": (
        {
            "kind": "no shot name",
            "line": 7,
            "column": None,
            "detail": "The reel is no shot's code.",
            "shot": None,
            "fault": True,
        },
    ),
    "first": 40,
    "first_day": "2026-10-24",
    "frames": 60,
    "free": 4,
    "frame_rate": "25/1",
    "head": 4812,
    "kept": 400,
    "key": "office",
    "highest": 3,
    "instead_of_frames": 52,
    "instead": "use the key of the director",
    "into": "0130",
    "last": 12,
    "lacks": (
        {
            "fact": "set approved",
            "detail": "No director has signed off: set approved.",
            "who": "the director",
            "method": "POST",
            "path": "/v1/productions/lantern-bay/shots/0120/signoffs",
            "may_be_overridden": True,
        },
    ),
    "last_day": "2026-10-18",
    "limit_bytes": 1_048_576,
    "matter": "set approved",
    "method": "DELETE",
    "missing": "No director has signed off: set approved.",
    "most": 2000,
    "name": "office",
    "needed": (Scope.COORDINATE,),
    "note": 1,
    "offered": ("application/json", "text/csv"),
    "part": "lft",
    "parts": ("left", "right"),
    "path": "/v1/stages",
    "phase": "planning",
    "posted": 1000,
    "problem": "Expecting ',' delimiter at line 1, column 18",
    "production": "lantern-bay",
    "purpose": "shoot",
    "readers": 20,
    "refused": (
        {"shot": "0130", "origin": "set dressing", "to": "shooting", "set_aside": [], "refused": {"status": 409}},
    ),
    "retry_after_s": 1,
    "revision": 4,
    "revisions": (1, 2, 3),
    "revoked_at": "2026-03-31T22:00:00Z",
    "role": "editor",
    "roles": ("director",),
    "scope": Scope.READ,
    "serial": 12,
    "series": ("camera main with pass main", "camera top with pass main"),
    "shot": "0120",
    "shots": ("0120", "0130"),
    "signed_at": "2026-03-02T09:00:00Z",
    "signoff": 7,
    "spool": "k7Qm2x",
    "stage": "mill",
    "take": 2,
    "takes": (1, 2),
    "terminal": "mill-capture",
    "to": "shooting",
    "waited_s": 10.0,
    "where": "by the key office",
    "ways": ("set dressing",),
    "withdrawn_at": "2026-03-02T09:30:00Z",
}


def answers(example: object, *refusals: type[Refusal], status: HTTPStatus = HTTPStatus.OK) -> Responses:
    """The documented answers of an operation: its success by example, and the refusals that are its own."""
    success: Responses = {int(status): {"content": {"application/json": {"example": example}}}}
    return {**success, **problems(*refusals)}


def page_of(*items: object, following: str | None = None) -> dict[str, object]:
    """An example of a page of a list."""
    return {"items": list(items), "next": following}


def problems(*refusals: type[Refusal]) -> Responses:
    """The documented answers of these refusals, by status."""
    by_status: dict[HTTPStatus, list[type[Refusal]]] = defaultdict(list)
    for kind in refusals:
        by_status[status_of(kind)].append(kind)
    return {int(status): _problem_answer(kinds) for status, kinds in sorted(by_status.items())}


def example_of(kind: type[Refusal]) -> dict[str, Any]:
    """The problem document of a refusal, by example."""
    return problem_of(kind(**{each.name: FACTS.get(each.name, each.name) for each in fields(kind)}))


def _problem_answer(kinds: Sequence[type[Refusal]]) -> dict[str, Any]:
    shown = {kind.slug(): {"summary": title_of(kind), "value": example_of(kind)} for kind in kinds}
    content = {"schema": {"$ref": "#/components/schemas/Problem"}, "examples": shown}
    return {"description": "; ".join(title_of(kind) for kind in kinds), "content": {PROBLEM_JSON: content}}
