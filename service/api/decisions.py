"""Decisions: what is said of a take or of a range of it, as it is sent and as it is shown."""

from datetime import datetime
from typing import Annotated

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from service.api.fields import MOST_FRAMES, Body, Code, Line, Out, shown_as
from service.domain.causes import ReturnCause
from service.domain.progress import Decision, Verdict
from service.store import takes as store

Identity = Annotated[int, Field(ge=-100_000, le=MOST_FRAMES)]

NG_RANGE = {
    "verdict": "reject",
    "camera": "main",
    "first": 61,
    "last": 96,
    "cause": "light",
    "reason": "the light flickers",
}


class DecisionOut(Out):
    """What somebody said of the take or of a range of it."""

    verdict: Verdict = Field(description="What was said.")
    camera: str | None = Field(description="The camera it is about; null of all.")
    first: int | None = Field(description="The first frame it is about; null of the whole take.")
    last: int | None = Field(description="The last frame it is about; null of the whole take.")
    cause: ReturnCause | None = Field(description="Why it was rejected; null where not said, and of other verdicts.")
    by: str = Field(description="The key or terminal it came from.")
    reason: str | None = Field(description="Why, where said.")
    decided_at: datetime = Field(description="When (UTC).")

    @classmethod
    def of(cls, record: store.DecisionRecord) -> "DecisionOut":
        """The decision with who said it and why."""
        said = record.decision
        return cls(
            verdict=said.verdict,
            camera=said.camera,
            first=said.first,
            last=said.last,
            cause=said.cause,
            by=record.by,
            reason=record.reason,
            decided_at=record.decided_at,
        )


class DecisionIn(Body):
    """A decision on a take or on a range of its frames."""

    model_config = shown_as(NG_RANGE)

    verdict: Annotated[Verdict, Field(strict=False)] = Field(
        description="`accept`, `reject` (NG), `circle` (chosen, which accepts it), or `withdraw` what was said before."
    )
    camera: Code | None = Field(None, description="On this camera alone; on all where left out.")
    first: Identity | None = Field(None, description="The first frame identity; with `last`, or neither for all of it.")
    last: Identity | None = Field(None, description="The last frame identity, included.")
    cause: Annotated[ReturnCause, Field(strict=False)] | None = Field(
        None, description="What was wrong; only with the verdict `reject`."
    )
    reason: Line | None = Field(None, description="Why.")

    @model_validator(mode="after")
    def _whole_range(self) -> "DecisionIn":
        if (self.first is None) != (self.last is None):
            raise PydanticCustomError("range", "Give both first and last, or neither for the whole take.")
        return self

    @model_validator(mode="after")
    def _rejection_alone(self) -> "DecisionIn":
        if self.cause is not None and self.verdict is not Verdict.REJECT:
            raise PydanticCustomError("cause", "A cause belongs to the verdict reject; leave it out of any other.")
        return self

    @property
    def decision(self) -> Decision:
        """What it says, without who says it and why."""
        return Decision(verdict=self.verdict, camera=self.camera, first=self.first, last=self.last, cause=self.cause)
