"""Watches: who hears of what, where and when."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from sqlmodel import Session

from service.actions import studio as studios
from service.actions import watches
from service.actions.productions import EpisodeUnknown, ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.stages import StageUnknown
from service.actions.watches import Author, TooManyWatches, Wanted, WatchTaken, WatchUnknown
from service.api.doors import Coordinate, Door
from service.api.examples import answers, page_of
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.api.watched import MADE, WATCH, WatchChange, WatchIn, WatchMadeOut, WatchOut
from service.domain.refusals import Fault, UnfitFields
from service.domain.watches import Heard
from service.store import studio as studio_rows
from service.store import watches as store
from service.store.watches import Messages, Watch

router = APIRouter(prefix="/v1/watches", tags=["watches"], route_class=StrictRoute)

WatchInPath = Annotated[str, Path(description="The name of the watch.", examples=["mill-approvals"])]


@router.post(
    "",
    operation_id="watch_add",
    summary="Let somebody hear of things",
    status_code=HTTPStatus.CREATED,
    response_model=WatchMadeOut,
    responses=answers(
        MADE,
        WatchTaken,
        TooManyWatches,
        ProductionUnknown,
        EpisodeUnknown,
        ShotUnknown,
        StageUnknown,
        UnfitFields,
        status=HTTPStatus.CREATED,
    ),
)
def add_watch(door: Coordinate, body: WatchIn) -> Response:
    """Let somebody hear of kinds of notice, by a channel, from now on. The secret is in this answer and nowhere else.

    A watch that a key bound to a production adds hears of that production alone, whoever changes it. Needs
    `coordinate`.
    """
    with door.writing() as session:
        said = {"time_zone": studio_rows.load(session).time_zone, **body.model_dump(exclude_none=True)}
        row = watches.make(session, _wanted(said), author=_author(door), now=door.now)
        return _reply_once(door, session, row.name, secret=row.secret, status=HTTPStatus.CREATED)


@router.get(
    "",
    operation_id="watch_list",
    summary="List watches",
    response_model=Page[WatchOut],
    responses=answers(page_of(WATCH)),
)
def list_watches(door: Coordinate, window: Paging) -> Response:
    """List the watches as they were added; a key bound to a production sees those of it. Needs `coordinate`."""
    with door.reading() as session:
        rows = store.page(session, only=door.caller.production_id, after=window.after, limit=window.fetch)
        messages = store.messages(session, [each.row.id or 0 for each in rows])
        return window.reply(
            door,
            rows,
            id_of=lambda watch: watch.row.id,
            out_of=lambda watch: WatchOut.of(watch, messages.get(watch.row.id or 0, Messages()), door.now),
        )


@router.get(
    "/{watch}",
    operation_id="watch_get",
    summary="Read a watch",
    response_model=WatchOut,
    responses=answers(WATCH, WatchUnknown),
)
def get_watch(door: Coordinate, watch: WatchInPath) -> Response:
    """Read a watch, without its secret. Needs `coordinate`."""
    with door.reading() as session:
        out = _out(door, session, watch)
        return door.reply(session, out, rev=out.rev, head=_head(out))


@router.patch(
    "/{watch}",
    operation_id="watch_change",
    summary="Change a watch",
    response_model=WatchOut,
    responses=answers(
        {**WATCH, "state": "muted", "muted_until": "2026-03-09T07:00:00Z", "rev": 2},
        WatchUnknown,
        ProductionUnknown,
        EpisodeUnknown,
        ShotUnknown,
        StageUnknown,
        UnfitFields,
        Stale,
        MissingPrecondition,
    ),
)
def change_watch(door: Coordinate, watch: WatchInPath, body: WatchChange) -> Response:
    """Change what a watch hears of, where it goes or when; what waits is due by its new hours, where these change.

    A watch that a key bound to a production changes hears of that production alone from then on, whoever changes it.
    Needs `coordinate` and `If-Match`.
    """
    with door.writing() as session:
        found = _locked(door, session, watch)
        said = {**_said(found), **body.model_dump(exclude_unset=True)}
        watches.change(session, found, _wanted(said), author=_author(door), now=door.now)
        out = _out(door, session, watch)
        return door.reply(session, out, rev=out.rev, head=_head(out))


@router.post(
    "/{watch}/rotate",
    operation_id="watch_rotate",
    summary="Give a watch a new secret",
    response_model=WatchMadeOut,
    responses=answers(
        {**MADE, "rev": 2, "former_secret_until": "2026-03-03T08:00:00Z"}, WatchUnknown, Stale, MissingPrecondition
    ),
)
def rotate_watch(door: Coordinate, watch: WatchInPath) -> Response:
    """Give a watch a new secret; for a day the old one signs, too. Needs `coordinate` and `If-Match`."""
    with door.writing() as session:
        found = _locked(door, session, watch)
        watches.rotate(session, found.row, author=_author(door), now=door.now)
        return _reply_once(door, session, watch, secret=found.row.secret, status=HTTPStatus.OK)


@router.post(
    "/{watch}/enable",
    operation_id="watch_enable",
    summary="Let a disabled watch hear again",
    response_model=WatchOut,
    responses=answers(WATCH, WatchUnknown),
)
def enable_watch(door: Coordinate, watch: WatchInPath) -> Response:
    """Let a watch that was disabled, because its receiver wanted no more, hear again. Needs `coordinate`."""
    with door.writing() as session:
        found = watches.find(session, watch, only=door.caller.production_id, lock=True)
        watches.enable(session, found.row, by=door.by, now=door.now)
        out = _out(door, session, watch)
        return door.reply(session, out, rev=out.rev, head=_head(out))


@router.post(
    "/{watch}/remove",
    operation_id="watch_remove",
    summary="Remove a watch",
    response_model=WatchOut,
    responses=answers({**WATCH, "rev": 2}, WatchUnknown),
)
def remove_watch(door: Coordinate, watch: WatchInPath) -> Response:
    """Let a watch hear no more, for good; what waits for it is withdrawn, its name is free. Needs `coordinate`."""
    with door.writing() as session:
        found = watches.find(session, watch, only=door.caller.production_id, lock=True)
        watches.remove(session, found.row, by=door.by, now=door.now)
        out = WatchOut.of(found, Messages(), door.now)
        return door.reply(session, out, rev=out.rev)


def _author(door: Door) -> Author:
    return Author(door.by, door.caller.production_id)


def _locked(door: Door, session: Session, name: str) -> Watch:
    found = watches.find(session, name, only=door.caller.production_id, lock=True)
    present = _out(door, session, name)
    door.require_match(rev=present.rev, head=_head(present), current=lambda: present)
    return found


def _out(door: Door, session: Session, name: str) -> WatchOut:
    found = watches.find(session, name, only=door.caller.production_id)
    id_ = found.row.id or 0
    return WatchOut.of(found, store.messages(session, [id_]).get(id_, Messages()), door.now)


def _head(out: WatchOut) -> str:
    # Messages come and go beside the row.
    return f"{out.state.value[0]}{out.waiting_messages}-{out.dead_messages}"


def _reply_once(door: Door, session: Session, name: str, *, secret: str, status: HTTPStatus) -> Response:
    """The answer that shows a secret; what is kept of it for an Idempotency-Key is without."""
    out = _out(door, session, name)
    shown, kept = (WatchMadeOut(**dict(out), secret=each) for each in (secret, None))
    location = f"{router.prefix}/{quote(name)}"
    return door.reply(session, shown, status=status, rev=shown.rev, head=_head(out), location=location, kept=kept)


def _said(watch: Watch) -> dict[str, Any]:
    row = watch.row
    quiet = None if row.quiet_from_min is None else {"starts": row.quiet_from_min, "ends": row.quiet_to_min}
    gathers = row.every_min is not None or bool(row.at_min)
    return {
        "name": row.name,
        "hears": [{"kind": each.kind, "threshold": each.threshold, "ends": each.ends} for each in watch.hears],
        "production": watch.production,
        "episode": watch.episode,
        "shot": watch.shot,
        "stage": watch.stage,
        "person": row.person,
        "channel": row.channel,
        "target": row.target,
        "time_zone": row.time_zone,
        "quiet": quiet,
        "digest": {"every_min": row.every_min, "at": row.at_min} if gathers else None,
        "muted_until": row.muted_until,
    }


def _wanted(said: Mapping[str, Any]) -> Wanted:
    if said["time_zone"] not in studios.zones():
        detail = "This is no time zone of the IANA database; write one as Europe/London."
        raise UnfitFields((Fault(detail, pointer="#/time_zone"),))
    quiet, digest = said.get("quiet"), said.get("digest") or {}
    hears = {
        (each["kind"], each.get("threshold") or 0): Heard(
            kind=each["kind"], threshold=each.get("threshold") or 0, ends=each.get("ends", False)
        )
        for each in said["hears"]
    }
    if len(hears) != len(said["hears"]):
        raise UnfitFields((Fault("Name each kind once at each threshold.", pointer="#/hears"),))
    return Wanted(
        name=said["name"],
        hears=tuple(hears[key] for key in sorted(hears)),
        production=said.get("production"),
        episode=said.get("episode"),
        shot=said.get("shot"),
        stage=said.get("stage"),
        person=said.get("person"),
        channel=said["channel"],
        target=said["target"],
        time_zone=said["time_zone"],
        quiet=None if quiet is None else (quiet["starts"], quiet["ends"]),
        every_min=digest.get("every_min"),
        at_min=sorted(set(digest.get("at", ()))),
        muted_until=said.get("muted_until"),
    )
