"""The switch of each worker: disabled and enabled while engines run."""

from datetime import datetime

from fastapi import APIRouter, Response
from pydantic import Field

from service.actions import switches
from service.actions.switches import Switched, WorkerUnknown
from service.api.doors import Admin
from service.api.examples import answers
from service.api.fields import Body, Line, Out, shown_as
from service.api.kept import WorkerInPath
from service.api.strict import StrictRoute
from service.store.switches import Disabled

router = APIRouter(prefix="/v1/workers", tags=["workers"], route_class=StrictRoute)

OFF = {"by": "office", "at": "2026-03-02T14:05:00Z", "reason": "it sends every reading twice"}
DISABLED = {"worker": "lamp-hours", "disabled": OFF, "already": False, "off_in_settings": []}
ENABLED = {**DISABLED, "disabled": None}


class SwitchIn(Body):
    """Why a worker is disabled, or enabled again."""

    model_config = shown_as({"reason": OFF["reason"]})

    reason: Line = Field(description="Why. `/readyz` shows it, too, which needs no key.")


class DisabledOut(Out):
    """That an operator disabled a worker."""

    by: str = Field(description="The key that had it disabled; `command` where that was done at a machine.")
    at: datetime = Field(description="Since when (UTC).")
    reason: str = Field(description="Why.")

    @classmethod
    def of(cls, disabled: Disabled | None) -> "DisabledOut | None":
        """Who disabled it, when and why; None where nobody did."""
        return None if disabled is None else cls(by=disabled.by, at=disabled.at, reason=disabled.reason)


class SwitchOut(Out):
    """Whether a worker is disabled."""

    worker: str = Field(description="The worker.")
    disabled: DisabledOut | None = Field(description="Who disabled it, when and why; null where it is enabled.")
    already: bool = Field(description="Whether it was so before; then nothing was changed.")
    off_in_settings: list[str] = Field(
        description="The machines whose settings say `enabled = false` of it: it does not run there, whatever is said "
        "here."
    )

    @classmethod
    def of(cls, switched: Switched) -> "SwitchOut":
        """How it stands now."""
        return cls(
            worker=switched.worker,
            disabled=DisabledOut.of(switched.disabled),
            already=switched.already,
            off_in_settings=list(switched.off_in_settings),
        )


@router.post(
    "/{worker}/disable",
    operation_id="worker_disable",
    summary="Disable a worker",
    response_model=SwitchOut,
    responses=answers(DISABLED, WorkerUnknown),
)
def disable_worker(door: Admin, worker: WorkerInPath, body: SwitchIn) -> Response:
    """Let no engine give a worker anything to do, or import it where it starts, until it is enabled again.

    Engines see it within two seconds, and end what is under way. What the worker made stays readable; its events and
    jobs wait. Disabling twice is disabling once: what was said first stands. Needs `admin`.
    """
    with door.writing() as session:
        switches.require(session, worker)
        switched = switches.disable(session, worker, reason=body.reason, by=door.by, now=door.now)
        return door.reply(session, SwitchOut.of(switched))


@router.post(
    "/{worker}/enable",
    operation_id="worker_enable",
    summary="Enable a worker",
    response_model=SwitchOut,
    responses=answers(ENABLED, WorkerUnknown),
)
def enable_worker(door: Admin, worker: WorkerInPath, body: SwitchIn) -> Response:
    """Let a worker go on where it stopped. Engines see it within two seconds and import it where they have not yet.

    What fell due meanwhile is done as after a standstill. Enabling twice is enabling once. Needs `admin`.
    """
    with door.writing() as session:
        switches.require(session, worker)
        switched = switches.enable(session, worker, reason=body.reason, by=door.by, now=door.now)
        return door.reply(session, SwitchOut.of(switched))
