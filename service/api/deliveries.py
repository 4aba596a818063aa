"""Messages to watches: which were delivered, which are tried again, which were given up."""

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import deliveries
from service.actions.deliveries import BeingSent, DeliveryUnknown, WatchOff
from service.actions.watches import WatchUnknown
from service.api.doors import Coordinate, Reader
from service.api.examples import answers, page_of
from service.api.fields import Code, Instant, Out
from service.api.pages import Page, Paging
from service.api.strict import StrictRoute
from service.api.watches import WatchInPath
from service.domain.channels import Receipt
from service.domain.deliveries import DeliveryState
from service.store import deliveries as store
from service.store.deliveries import Delivery

router = APIRouter(prefix="/v1", tags=["deliveries"], route_class=StrictRoute)

NAMED = "msg_0f6f4c1f3a525f0c7b1e7c1d4c439a68"
DELIVERY: Mapping[str, Any] = {
    "delivery": NAMED,
    "watch": "mill-approvals",
    "channel": "webhook",
    "state": "waiting",
    "test": False,
    "notices": 1,
    "made_at": "2026-03-02T14:05:00Z",
    "due_at": "2026-03-02T14:05:00Z",
    "tries": 1,
    "next_try_at": "2026-03-02T14:05:09.500000Z",
    "settled_at": None,
    "error": "hooks.studio.example:443 answered 503, and should say 2xx. What it lacked is in the receiver's own log.",
}
ATTEMPT: Mapping[str, Any] = {
    "number": 1,
    "begun_at": "2026-03-02T14:05:04Z",
    "ended_at": "2026-03-02T14:05:05Z",
    "outcome": "failed",
    "status": 503,
    "detail": DELIVERY["error"],
}
RENEWED = {**DELIVERY, "tries": 0, "due_at": "2026-03-02T15:00:00Z", "next_try_at": None}
TESTED = {**RENEWED, "test": True, "notices": 0, "made_at": "2026-03-02T15:00:00Z", "error": None}

DeliveryInPath = Annotated[
    str, Path(min_length=1, max_length=100, description="The message, as receivers know it.", examples=[NAMED])
]


class DeliveryOut(Out):
    """A message to a watch."""

    delivery: str = Field(description="Its name, the same at every try: receivers tell by it what they have already.")
    watch: str = Field(description="The watch it is for.")
    channel: str = Field(description="The channel it goes by.")
    state: DeliveryState = Field(
        description="`waiting` to be sent, for the first time or again; `delivered`; `dead`, given up; `withdrawn`, "
        "because nobody wants it any more."
    )
    test: bool = Field(description="Whether it only tries the watch.")
    notices: int = Field(description="How many notices it tells of.")
    made_at: datetime = Field(description="When it was made (UTC).")
    due_at: datetime = Field(description="When it is to be sent first (UTC).")
    tries: int = Field(description="How often it was tried since it was last asked for.")
    next_try_at: datetime | None = Field(
        description="When it is tried again at the earliest (UTC); null where that is not waited for."
    )
    settled_at: datetime | None = Field(description="When it was settled (UTC); null while it waits.")
    error: str | None = Field(description="What went wrong at the last try; null where nothing did.")

    @classmethod
    def of(cls, found: Delivery, notices: int) -> "DeliveryOut":
        """A message as it stands."""
        row = found.row
        return cls(
            delivery=row.message_id,
            watch=found.watch.name,
            channel=found.watch.channel,
            state=DeliveryState(row.state),
            test=row.test,
            notices=notices,
            made_at=row.made_at,
            due_at=row.due_at,
            tries=row.attempts,
            next_try_at=row.next_try_at,
            settled_at=None if row.state == store.WAITING else row.settled_at,
            error=row.last_error,
        )


class AttemptOut(Out):
    """A try to deliver a message."""

    number: int = Field(description="Which it was, from 1.")
    begun_at: datetime = Field(description="When it was begun (UTC).")
    ended_at: datetime | None = Field(description="When it ended (UTC); null while it is under way.")
    outcome: Receipt | None = Field(
        description="`delivered`; `failed`, tried again; `refused`, never taken; `gone`, nothing is wanted there any "
        "more; null while it is under way."
    )
    status: int | None = Field(description="What the receiver answered with, of HTTP or SMTP; null where it did not.")
    detail: str | None = Field(description="What happened, and what would be right.")


class DeliveryWithAttemptsOut(DeliveryOut):
    """A message to a watch with every try to deliver it."""

    attempts: list[AttemptOut] = Field(description="The tries, in order.")


def _whole(session: Session, found: Delivery) -> DeliveryWithAttemptsOut:
    session.flush()
    id_ = found.row.id or 0
    out = DeliveryOut.of(found, len(store.notices_in(session, id_)))
    tries = [AttemptOut.model_validate(each, from_attributes=True) for each in store.attempts(session, id_)]
    return DeliveryWithAttemptsOut(**out.model_dump(), attempts=tries)


@router.get(
    "/deliveries",
    operation_id="delivery_list",
    summary="List messages to watches",
    response_model=Page[DeliveryOut],
    responses=answers(page_of(DELIVERY)),
)
def list_deliveries(
    door: Reader,
    window: Paging,
    watch: Annotated[Code | None, Query(description="Only those to the watch of this name.")] = None,
    state: Annotated[DeliveryState | None, Query(description="Only those in this state.")] = None,
    since: Annotated[Instant | None, Query(description="Only those made at this instant or later.")] = None,
) -> Response:
    """List the messages to watches, the newest first: `state=dead` are those that were given up.

    Needs `read`; a key bound to a production sees those to watches of that production.
    """
    with door.reading() as session:
        rows = store.page(
            session,
            only=door.caller.production_id,
            watch=watch,
            state=state,
            since=since,
            before=window.after or None,
            limit=window.fetch,
        )
    return window.reply(door, rows, id_of=lambda each: each[0].row.id, out_of=lambda each: DeliveryOut.of(*each))


@router.get(
    "/deliveries/{delivery}",
    operation_id="delivery_get",
    summary="Read a message to a watch",
    response_model=DeliveryWithAttemptsOut,
    responses=answers({**DELIVERY, "attempts": [ATTEMPT]}, DeliveryUnknown),
)
def get_delivery(door: Reader, delivery: DeliveryInPath) -> Response:
    """Read a message with every try to deliver it, and what came of each. Needs `read`."""
    with door.reading() as session:
        found = store.find(session, delivery, only=door.caller.production_id)
        if found is None:
            raise DeliveryUnknown(delivery)
        return door.reply(session, _whole(session, found))


@router.post(
    "/deliveries/{delivery}/redeliver",
    operation_id="delivery_redeliver",
    summary="Have a message sent again",
    response_model=DeliveryWithAttemptsOut,
    responses=answers({**RENEWED, "attempts": [ATTEMPT]}, DeliveryUnknown, BeingSent, WatchOff),
)
def redeliver(door: Coordinate, delivery: DeliveryInPath) -> Response:
    """Have a message sent again at once, whatever became of it, under its name and with its tries counted anew.

    One that waits for its next try need not wait any longer. What was made for the watch after it and waits, waits
    until it is settled. Asking twice is asking once. Needs `coordinate`.
    """
    with door.writing() as session:
        found = deliveries.renew(session, delivery, by=door.by, now=door.now, only=door.caller.production_id)
        return door.reply(session, _whole(session, found))


@router.post(
    "/watches/{watch}/test",
    operation_id="watch_test",
    summary="Try a watch",
    status_code=HTTPStatus.ACCEPTED,
    response_model=DeliveryOut,
    responses=answers(TESTED, WatchUnknown, WatchOff, status=HTTPStatus.ACCEPTED),
)
def test_watch(door: Coordinate, watch: WatchInPath) -> Response:
    """Send a message that tells of nothing to a watch, at once, whatever waits for it and whatever its hours.

    `GET /v1/deliveries/{delivery}` says what came of it. Needs `coordinate`.
    """
    with door.writing() as session:
        made = deliveries.attempt(session, watch, by=door.by, now=door.now, only=door.caller.production_id)
        out = DeliveryOut.of(made, 0)
        return door.reply(session, out, status=HTTPStatus.ACCEPTED)
