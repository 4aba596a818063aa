"""The schemas of watches."""

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from service.api.fields import Body, Change, ClockMinute, Code, Given, Instant, Line, Out, clock_text, shown_as
from service.domain.watches import MINUTES_A_DAY
from service.store.watches import Messages, Watch

MOST_KINDS, MOST_TIMES = 50, 24
LONGEST_DIGEST_MIN = 7 * MINUTES_A_DAY


class WatchState(StrEnum):
    """Whether a watch hears: it does, gathers until it is not muted any more, or was disabled by who it goes to."""

    IN_FORCE = "in force"
    MUTED = "muted"
    DISABLED = "disabled"


class HeardIn(Body):
    """A kind of notice to hear of."""

    kind: Line = Field(description="The kind, as `GET /v1/notice-kinds` lists them.")
    threshold: int | None = Field(
        None, ge=1, le=100_000, description="From how much on, in the unit of the kind; of kinds that have one alone."
    )
    ends: bool = Field(default=False, description="Whether to hear of its end as well, of kinds that have one.")


class QuietIn(Body):
    """The hours in which nothing is sent; what came waits for their end."""

    starts: ClockMinute = Field(description="From this time of day on.", alias="from")
    ends: ClockMinute = Field(description="To this time; on the next day where it is earlier.", alias="to")


class DigestIn(Body):
    """How to gather what comes into one message: for so many minutes from the first on, or until times of day."""

    every_min: int | None = Field(None, ge=1, le=LONGEST_DIGEST_MIN, description="For so many minutes.")
    at: list[ClockMinute] = Field(default_factory=list, max_length=MOST_TIMES, description="Until these times of day.")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.every_min is None) != bool(self.at):
            raise PydanticCustomError("digest", "Give `every_min` or `at`, one of them; null gathers nothing.")
        return self


Hears = Annotated[list[HeardIn], Field(min_length=1, max_length=MOST_KINDS)]
Target = Annotated[
    dict[str, str | list[str]],
    Field(max_length=20, description='webhook: `{"url"}`; email: `{"to": []}`; folder: `{"folder"}`.'),
]

WATCH_IN: Mapping[str, Any] = {
    "name": "mill-approvals",
    "hears": [{"kind": "take finished"}, {"kind": "decision waited for", "threshold": 4, "ends": True}],
    "production": "lantern-bay",
    "channel": "folder",
    "target": {"folder": "director"},
    "quiet": {"from": "22:00", "to": "07:00"},
    "digest": {"every_min": 15},
}
WATCH: Mapping[str, Any] = {
    "name": "mill-approvals",
    "state": "in force",
    "disabled_reason": None,
    "hears": [
        {"kind": "decision waited for", "threshold": 4, "ends": True},
        {"kind": "take finished", "threshold": None, "ends": False},
    ],
    "production": "lantern-bay",
    "episode": None,
    "shot": None,
    "stage": None,
    "person": None,
    "channel": "folder",
    "target": {"folder": "director"},
    "time_zone": "Europe/London",
    "quiet": {"from": "22:00", "to": "07:00"},
    "digest": {"every_min": 15, "at": []},
    "muted_until": None,
    "waiting_messages": 0,
    "next_due_at": None,
    "dead_messages": 0,
    "former_secret_until": None,
    "rev": 1,
    "by": "office",
    "added_at": "2026-03-02T08:00:00Z",
}
MADE = {**WATCH, "secret": "whsec_" + "x" * 44}


class WatchIn(Body):
    """A watch to add."""

    model_config = shown_as(WATCH_IN)

    name: Code = Field(description="What the watch is called.")
    hears: Hears = Field(description="What it hears of.")
    production: Code | None = Field(None, description="Only of this production.")
    episode: Code | None = Field(None, description="Only of this episode; with `production`.")
    shot: Code | None = Field(None, description="Only of this shot; with `production`.")
    stage: Code | None = Field(None, description="Only of this stage.")
    person: Line | None = Field(
        None, description="Only what concerns who has this name: who animates, or approved what changed since."
    )
    channel: Code = Field(description="By which channel: `webhook`, `email`, `folder`, or one that was installed.")
    target: Target = Field(description="Where to, in the channel's terms.")
    time_zone: Line | None = Field(
        None, description="The reader's time zone by its IANA name; the studio's if left out."
    )
    quiet: QuietIn | None = Field(None, description="When nothing is sent.")
    digest: DigestIn | None = Field(None, description="How to gather; at once where it is left out.")
    muted_until: Instant | None = Field(None, description="Nothing is sent before this instant; it gathers until then.")


class WatchChange(Change):
    """What to change of a watch."""

    model_config = shown_as({"muted_until": "2026-03-09T07:00:00Z"})

    hears: Given[Hears] = Field(None, description="What it hears of, in place of what it did.")
    production: Code | None = Field(None, description="Only of this production; null for all.")
    episode: Code | None = Field(None, description="Only of this episode; null for all.")
    shot: Code | None = Field(None, description="Only of this shot; null for all.")
    stage: Code | None = Field(None, description="Only of this stage; null for all.")
    person: Line | None = Field(None, description="Only what concerns who has this name; null for all.")
    channel: Given[Code] = Field(None, description="By which channel.")
    target: Given[Target] = Field(None, description="Where to, in the channel's terms.")
    time_zone: Given[Line] = Field(None, description="The reader's time zone by its IANA name.")
    quiet: QuietIn | None = Field(None, description="When nothing is sent; null for never.")
    digest: DigestIn | None = Field(None, description="How to gather; null for at once.")
    muted_until: Instant | None = Field(None, description="Nothing is sent before this instant; null unmutes.")


class HeardOut(Out):
    """A kind of notice that a watch hears of."""

    kind: str = Field(description="The kind.")
    threshold: int | None = Field(description="From how much on, in the unit of the kind; null of one without.")
    ends: bool = Field(description="Whether of its end as well.")


class QuietOut(Out):
    """When nothing is sent."""

    starts: str = Field(description="From this time of day on.", serialization_alias="from")
    ends: str = Field(description="To this time.", serialization_alias="to")


class DigestOut(Out):
    """How what comes is gathered."""

    every_min: int | None = Field(description="For so many minutes from the first on.")
    at: list[str] = Field(description="Until these times of day.")


class WatchOut(Out):
    """A watch, without its secret."""

    name: str = Field(description="What it is called.")
    state: WatchState = Field(description="Whether it hears.")
    disabled_reason: str | None = Field(description="Why it was disabled.")
    hears: list[HeardOut] = Field(description="What it hears of.")
    production: str | None = Field(description="Only of this production.")
    episode: str | None = Field(description="Only of this episode.")
    shot: str | None = Field(description="Only of this shot.")
    stage: str | None = Field(description="Only of this stage.")
    person: str | None = Field(description="Only what concerns who has this name.")
    channel: str = Field(description="By which channel.")
    target: dict[str, str | list[str]] = Field(description="Where to.")
    time_zone: str = Field(description="The reader's time zone.")
    quiet: QuietOut | None = Field(description="When nothing is sent.")
    digest: DigestOut | None = Field(description="How it gathers; null: at once.")
    muted_until: datetime | None = Field(description="Until when it gathers and sends nothing (UTC).")
    waiting_messages: int = Field(description="Messages that are gathered, due or tried again.")
    next_due_at: datetime | None = Field(description="When the first of these is or was due (UTC).")
    dead_messages: int = Field(description="Messages that could not be delivered.")
    former_secret_until: datetime | None = Field(description="Until when a replaced secret signs, too (UTC).")
    rev: int = Field(description="How often it was changed, from 1.")
    by: str = Field(description="The key that added it.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, watch: Watch, messages: Messages, now: datetime) -> "WatchOut":
        """The watch as it stands at *now*."""
        row = watch.row
        muted = row.muted_until is not None and row.muted_until > now
        state = WatchState.DISABLED if row.disabled_at else WatchState.MUTED if muted else WatchState.IN_FORCE
        quiet = row.quiet_from_min, row.quiet_to_min
        gathers = row.every_min is not None or bool(row.at_min)
        return cls(
            state=state,
            hears=[HeardOut(kind=each.kind, threshold=each.threshold or None, ends=each.ends) for each in watch.hears],
            production=watch.production,
            episode=watch.episode,
            shot=watch.shot,
            stage=watch.stage,
            quiet=None if None in quiet else QuietOut(starts=clock_text(quiet[0] or 0), ends=clock_text(quiet[1] or 0)),
            digest=DigestOut(every_min=row.every_min, at=[clock_text(each) for each in row.at_min])
            if gathers
            else None,
            waiting_messages=messages.waiting,
            next_due_at=messages.next_due_at,
            dead_messages=messages.dead,
            **{name: getattr(row, name) for name in _AS_KEPT},
        )


_AS_KEPT = (
    "name",
    "disabled_reason",
    "person",
    "channel",
    "target",
    "time_zone",
    "muted_until",
    "former_secret_until",
    "rev",
    "by",
    "added_at",
)


class WatchMadeOut(WatchOut):
    """A watch with its secret, which is shown this once."""

    secret: str | None = Field(
        description="What its webhooks are signed with, in the form of Standard Webhooks 1.0.0; null where this answer "
        "is repeated for an Idempotency-Key."
    )
