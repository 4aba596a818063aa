"""Routes that read JSON strictly and run again where the database asks for it."""

import asyncio
import json
import random
import re
import time
from collections import Counter
from collections.abc import Callable, Coroutine, Iterator, Mapping
from email.message import Message
from typing import Any, Never, TypeVar, get_args, get_origin

from fastapi import Request, Response
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from starlette.routing import Match
from starlette.types import Scope

from service.api.errors import pointer
from service.api.refusals import BrokenJson, InvalidRequest, UnsupportedMedia
from service.domain.refusals import Fault
from service.store.engine import retryable

JSON_TYPES = ("application/json",)
# A change says what it sets and leaves the rest as it is, which is what RFC 7396 means by its own type.
PATCH_TYPES = (*JSON_TYPES, "application/merge-patch+json")
MOST_TRIES = 5
# Several times what any body has; each member that is not known costs a fault, made while everybody else waits.
MOST_MEMBERS = 100
MOST_DIGITS = 1000

T = TypeVar("T")

# The escapes that can smuggle in what the text itself may not hold: NUL and halves of surrogate pairs.
_SUSPECT = re.compile(rb"\\u(?:0000|[dD][89a-fA-F])")
_UNSTORABLE = re.compile("[\0\ud800-\udfff]")


class StrictRequest(Request):
    """A request whose JSON was read by `read_json`."""

    parsed: Any = None

    async def json(self) -> Any:  # noqa: ANN401 -- whatever JSON was sent
        """The JSON that was sent."""
        return self.parsed


# A path that lies where others have a name; without this a change of it would be one of the stage that is called so.
OWN_ADDRESSES = frozenset({"/v1/stages/now"})


class StrictRoute(APIRoute):
    """A route that takes JSON alone, strictly, and is run again whole after a deadlock or a lost race.

    A route is a unit of work that leaves nothing behind when it fails, so running it again is safe.
    """

    # Where False, each text is judged by its own field instead, so that one does not cost its neighbours their place.
    refuses_unstorable_text = True

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Whether it answers a path; what is an address of its own is nobody's name."""
        match, inner = super().matches(scope)
        if match is not Match.NONE and scope["path"] in OWN_ADDRESSES and self.path_format not in OWN_ADDRESSES:
            return Match.NONE, {}
        return match, inner

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The function that answers."""
        answer = super().get_route_handler()
        takes_body = self.body_field is not None
        queries = dict(_queries(self.dependant))
        accepted = PATCH_TYPES if "PATCH" in (self.methods or ()) else JSON_TYPES

        async def answer_strictly(request: Request) -> Response:
            _require_known(request, queries)
            strict = StrictRequest(request.scope, request.receive)
            if takes_body and (body := await strict.body()):
                _require_json(request, accepted)
                strict.parsed = read_json(body, refuse_unstorable=self.refuses_unstorable_text)
            return await _answer_with_retries(answer, strict)

        return answer_strictly


async def _answer_with_retries(
    answer: Callable[[Request], Coroutine[Any, Any, Response]], request: Request
) -> Response:
    for tried in range(1, MOST_TRIES):
        try:
            return await answer(request)
        except Exception as error:
            if not retryable(error):
                raise
        await asyncio.sleep(_spread_s(tried))
    return await answer(request)


def run_again(unit: Callable[[], T]) -> T:
    """Run a unit of work of a route, whole again after a deadlock or a lost race; in a thread that may wait."""
    for tried in range(1, MOST_TRIES):
        try:
            return unit()
        except Exception as error:
            if not retryable(error):
                raise
        time.sleep(_spread_s(tried))
    return unit()


def _spread_s(tried: int) -> float:
    # Rivals that collided once should not meet again at the same moment.
    return random.uniform(0, 0.01 * 2**tried)  # noqa: S311 -- spreads, hides nothing


def _queries(dependant: Dependant) -> Iterator[tuple[str, bool]]:
    """The query parameters of a route and of all it depends on, and whether each may be there several times."""
    for field in dependant.query_params:
        kind = field.field_info.annotation
        yield field.alias, any(get_origin(each) is list for each in (kind, *get_args(kind)))
    for each in dependant.dependencies:
        yield from _queries(each)


def _require_known(request: Request, queries: Mapping[str, bool]) -> None:
    # A filter that is misspelt and passed over would give the figures of everything under another name; of one that is
    # there twice only half would be meant.
    there = f"Right would be {', '.join(sorted(queries))}." if queries else "There is none here."
    faults = []
    for name, times in sorted(Counter(name for name, _ in request.query_params.multi_items()).items()):
        if name not in queries:
            faults.append(Fault(f"There is no query parameter of this name. {there}", place=f"query {name}"))
        elif times > 1 and not queries[name]:
            faults.append(Fault("This query parameter has one value: give it once.", place=f"query {name}"))
    if faults:
        raise InvalidRequest(tuple(faults))


def _require_json(request: Request, accepted: tuple[str, ...]) -> None:
    header = Message()
    header["content-type"] = request.headers.get("content-type", "")
    charset = (header.get_content_charset() or "utf-8").lower()
    encoding = request.headers.get("content-encoding", "identity").strip().lower()
    if header.get_content_type() not in accepted or charset not in {"utf-8", "utf8"} or encoding != "identity":
        raise UnsupportedMedia(accepted)


def read_json(body: bytes, *, refuse_unstorable: bool = True) -> Any:  # noqa: ANN401 -- whatever JSON was sent
    """The value *body* holds as JSON in UTF-8 (RFC 8259), without what parsers disagree about or no database can keep.

    Raises BrokenJson where it is none, holds NaN or Infinity, names a member twice, is nested too deep, holds a number
    of more than MOST_DIGITS digits or an object of more than MOST_MEMBERS members; InvalidRequest where a string holds
    NUL or half a surrogate pair, unless asked to let such text through.
    """
    try:
        value = json.loads(
            body.decode("utf-8"), object_pairs_hook=_members, parse_constant=_no_constant, parse_int=_whole
        )
    except UnicodeDecodeError as error:
        raise BrokenJson(f"byte {error.start + 1} is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise BrokenJson(f"{error.msg} at line {error.lineno}, column {error.colno}") from None
    except RecursionError:
        raise BrokenJson("it is nested too deep") from None
    except ValueError as error:
        raise BrokenJson(str(error)) from None
    if refuse_unstorable and _SUSPECT.search(body):
        faults = tuple(
            Fault("Text holds neither NUL nor half a surrogate pair.", pointer=pointer(*path))
            for path in _unstorable(value)
        )
        if faults:
            raise InvalidRequest(faults)
    return value


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(pairs) > MOST_MEMBERS:
        raise ValueError(f"an object has {len(pairs)} members, and no object here has more than {MOST_MEMBERS}")
    members = dict(pairs)
    if len(members) != len(pairs):
        # Counted in one pass: a body is read before its key, and its sender may have thought of how to keep us busy.
        twice = next(name for name, times in Counter(name for name, _ in pairs).items() if times > 1)
        raise ValueError(f"the member {twice[:100]!r} is there twice")
    return members


def _whole(digits: str) -> int:
    if len(digits) > MOST_DIGITS:
        raise ValueError(f"a number has {len(digits)} digits, and none here has more than {MOST_DIGITS}")
    return int(digits)


def _no_constant(name: str) -> Never:
    raise ValueError(f"{name} is no JSON number")


def _unstorable(value: object) -> Iterator[tuple[str | int, ...]]:
    """Where in *value* a string or a name cannot be stored; a name is reported at the object it stands in."""
    found: list[tuple[tuple[str | int, ...], object]] = [((), value)]
    while found:
        path, each = found.pop()
        match each:
            case str() if _UNSTORABLE.search(each):
                yield path
            case list():
                found.extend(((*path, index), item) for index, item in enumerate(each))
            case dict():
                if any(_UNSTORABLE.search(name) for name in each):
                    yield path
                found.extend(((*path, name), item) for name, item in each.items() if not _UNSTORABLE.search(name))
            case _:
                pass
