"""Pages of lists: an opaque cursor, at most 500 items, a link to the next page (RFC 8288)."""

import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import quote, urlencode

from fastapi import Depends, Query, Request, Response
from pydantic import Field

from service.api.doors import Door
from service.api.fields import Out
from service.domain.refusals import Unfit

LARGEST_PAGE = 500
USUAL_PAGE = 100
# Of the column type the ids have; PostgreSQL refuses to compare them with more.
LARGEST_ID = 2**31 - 1

Item = TypeVar("Item")
Row = TypeVar("Row")


@dataclass(eq=False)
class InvalidCursor(Unfit):
    """The cursor is not one this list gave out: leave it out to begin, or follow the `next` of a page."""


class Page(Out, Generic[Item]):
    """One page of a list."""

    items: list[Item] = Field(description="The items of this page, in the order of the list.")
    next: str | None = Field(description="The cursor of the page that follows; null where this page is the last.")


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a list that was asked for: at most `limit` items with ids after `after`."""

    limit: int
    after: int
    request: Request

    @property
    def fetch(self) -> int:
        """How many rows to read: one more than are shown tells whether another page follows."""
        return self.limit + 1

    def page(self, rows: Sequence[Row], *, id_of: Callable[[Row], int | None]) -> tuple[Sequence[Row], str | None]:
        """The rows to show and the cursor of the next page, of `fetch` rows read."""
        shown = rows[: self.limit]
        if len(rows) <= self.limit:
            return shown, None
        return shown, self.cursor(id_of(shown[-1]) or 0)

    def cursor(self, position: int) -> str:
        """The cursor of the page that goes on after this id."""
        return _cursor(self.request.scope["path"], position)

    def reply(
        self,
        door: Door,
        rows: Sequence[Row],
        *,
        id_of: Callable[[Row], int | None],
        out_of: Callable[[Row], Out],
    ) -> Response:
        """The answer with the page of `fetch` rows read, and the link to the page that follows."""
        shown, following = self.page(rows, id_of=id_of)
        page = Page[Any](items=[out_of(row) for row in shown], next=following)
        return door.reply(None, page, link=self.link(following))

    def link(self, following: str | None) -> str | None:
        """The `Link` header of a page that another one follows (RFC 8288)."""
        return None if following is None else next_page(self.request, "cursor", following)


@dataclass(frozen=True, slots=True)
class Ranked:
    """The part of a list in an order of its own that was asked for: at most `limit` items after the `rank` given."""

    limit: int
    rank: tuple[int, int] | None
    request: Request

    def page(
        self, items: Sequence[Row], *, rank_of: Callable[[Row], tuple[int, int]]
    ) -> tuple[Sequence[Row], str | None]:
        """The items to show of all there are, which rise by rank, and the cursor of the page that follows."""
        left = [each for each in items if self.rank is None or rank_of(each) > self.rank]
        shown = left[: self.limit]
        following = None if len(left) <= self.limit else _cursor(self.request.scope["path"], *rank_of(shown[-1]))
        return shown, following

    def link(self, following: str | None) -> str | None:
        """The `Link` header of a page that another one follows (RFC 8288)."""
        return None if following is None else next_page(self.request, "cursor", following)


@dataclass(frozen=True, slots=True)
class Keyed:
    """The part of a list in the order of its keys that was asked for: at most `limit` items with keys after `after`."""

    limit: int
    after: str
    request: Request

    @property
    def fetch(self) -> int:
        """How many rows to read: one more than are shown tells whether another page follows."""
        return self.limit + 1

    def page(self, rows: Sequence[Row], *, key_of: Callable[[Row], str]) -> tuple[Sequence[Row], str | None]:
        """The rows to show and the cursor of the next page, of `fetch` rows read."""
        shown = rows[: self.limit]
        following = None if len(rows) <= self.limit else _cursor(self.request.scope["path"], key_of(shown[-1]))
        return shown, following

    def link(self, following: str | None) -> str | None:
        """The `Link` header of a page that another one follows (RFC 8288)."""
        return None if following is None else next_page(self.request, "cursor", following)


def next_page(request: Request, parameter: str, following: str) -> str:
    """The `Link` header to the page that follows (RFC 8288): what was asked for, from another place on."""
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != parameter]
    path = quote(request.scope["path"])
    return f'<{path}?{urlencode([*kept, (parameter, following)])}>; rel="next"'


Limit = Annotated[int, Query(ge=1, le=LARGEST_PAGE, description="How many items a page holds at most.")]
Cursor = Annotated[str | None, Query(max_length=1000, description="Where to go on: the `next` of the page before.")]


def window(request: Request, limit: Limit = USUAL_PAGE, cursor: Cursor = None) -> Window:
    """The window a request asks for; raises InvalidCursor."""
    if cursor is None:
        return Window(limit, 0, request)
    match _place(cursor, request.scope["path"]):
        case [int(after)] if 0 <= after <= LARGEST_ID:
            return Window(limit, after, request)
        case _:
            raise InvalidCursor


def ranked(request: Request, limit: Limit = USUAL_PAGE, cursor: Cursor = None) -> Ranked:
    """The window a request asks for of a list in an order of its own; raises InvalidCursor."""
    if cursor is None:
        return Ranked(limit, None, request)
    match _place(cursor, request.scope["path"]):
        case [int(first), int(second)]:
            return Ranked(limit, (first, second), request)
        case _:
            raise InvalidCursor


def keyed(request: Request, limit: Limit = USUAL_PAGE, cursor: Cursor = None) -> Keyed:
    """The window a request asks for of a list in the order of its keys; raises InvalidCursor."""
    if cursor is None:
        return Keyed(limit, "", request)
    match _place(cursor, request.scope["path"]):
        case [str(after)] if after.isprintable():
            return Keyed(limit, after, request)
        case _:
            raise InvalidCursor


Paging = Annotated[Window, Depends(window)]
Ranking = Annotated[Ranked, Depends(ranked)]
Keying = Annotated[Keyed, Depends(keyed)]


def _cursor(path: str, *place: int | str) -> str:
    return urlsafe_b64encode(json.dumps([path, *place], ensure_ascii=False).encode()).decode().rstrip("=")


def _place(cursor: str, path: str) -> list[int | str]:
    """The numbers or the key a cursor of this path holds; raises InvalidCursor."""
    try:
        decoded = json.loads(urlsafe_b64decode(cursor.encode("ascii") + b"=" * (-len(cursor) % 4)))
    except (ValueError, RecursionError):
        raise InvalidCursor from None
    match decoded:
        case [str(of), *place] if of == path and all(type(each) in {int, str} for each in place):
            return place
        case _:
            raise InvalidCursor
