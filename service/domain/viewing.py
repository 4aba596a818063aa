"""The viewing: which takes were offered as finished and wait for somebody to decide on them, and since when.

Pure: what the ledger and the decisions hold goes in, what waits comes out.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from service.domain.frames import NOTHING, FrameSet
from service.domain.progress import Decision, SeriesFacts, Verdict, judged
from service.domain.shots import Plan
from service.domain.takes import SeriesState

TrackKey = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A `decision` with its place `order` among all decisions and the instant `at` (UTC) it was said."""

    order: int
    at: datetime
    decision: Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts:
    """A take of purpose shoot: its `id`, `part` and `number`, its `series`, and what was `said` of it, in order.

    `first_offers` are the captures of the first post of each (camera, pass) that offered it, `heard_at` the receipt of
    the last such post, None of a take that was never offered. Instants are UTC.
    """

    id: int
    part: str
    number: int
    series: Sequence[SeriesFacts]
    said: Sequence[Said] = ()
    first_offers: Mapping[TrackKey, datetime] = field(default_factory=dict)
    heard_at: datetime | None = None

    def required(self, plan: Plan) -> tuple[SeriesFacts, ...]:
        """Its series on the cameras and passes that the plan requires."""
        return tuple(each for each in self.series if each.camera in plan.cameras and each.pass_ in plan.passes)

    def offered_at(self, plan: Plan) -> datetime | None:
        """When it was offered as finished: when the last of its required series was.

        None where one of them is open or abandoned, or where it has none: an optional camera alone shows no shot.
        """
        series = self.required(plan)
        if not series or any(each.state is not SeriesState.FINISHED for each in series):
            return None
        return max(each.offered_at or each.ruled_at for each in series)

    def decisions(self, *, after: datetime | None = None) -> tuple[Decision, ...]:
        """What was said of it, in order; only what was said later than `after` where that is given."""
        return tuple(each.decision for each in self.said if after is None or each.at > after)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotTakes:
    """A shot, by its `id`: its `plan` with its `takes` of purpose shoot."""

    id: int
    plan: Plan
    takes: Sequence[TakeFacts]

    def as_of(self, instant: datetime) -> "ShotTakes":
        """The same before anything was decided at `instant` or later; counts stay as they stand."""
        takes = (replace(take, said=[each for each in take.said if each.at < instant]) for take in self.takes)
        return replace(self, takes=tuple(takes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A take that waits for a decision.

    It was offered at `offered_at` and waits since `since`, later where a verdict was withdrawn (UTC). `frames` are the
    planned ones it holds on any required camera and pass, `undecided_on` those of them nothing stands of, of each
    required camera and pass that has any. `partly_decided` where something stands of others. `earlier_takes` counts
    the takes of the part with lower numbers.
    """

    take: TakeFacts
    offered_at: datetime
    since: datetime
    frames: FrameSet
    undecided_on: Mapping[TrackKey, FrameSet]
    partly_decided: bool
    earlier_takes: int

    @property
    def undecided(self) -> FrameSet:
        """The frames that wait on any required camera and pass."""
        return FrameSet.union(self.undecided_on.values())


def waiting(shot: ShotTakes) -> Iterator[Waiting]:
    """The takes of a shot that wait, by number.

    A take waits while planned frames of it are undecided on a required camera and pass. Frames that another take got
    accepted after this one was heard to be offered wait no more: that was a choice between the two. A take offered
    after such a choice waits, since somebody thinks it better. Nothing waits of an omitted shot.
    """
    planned = shot.plan.planned_set
    for take in sorted(shot.takes, key=lambda each: (each.part, each.number)):
        offered_at = take.offered_at(shot.plan)
        if offered_at is None:
            continue
        series = take.required(shot.plan)
        opened = [
            ((each.camera, each.pass_), frames, since)
            for each in series
            for found, since in _opened(take, each.live & planned, each.camera, offered_at)
            if (frames := found - _chosen_elsewhere(shot, take, each))
        ]
        if opened:
            yield Waiting(
                take=take,
                offered_at=offered_at,
                since=min(since for _, _, since in opened),
                frames=FrameSet.union(each.live & planned for each in series),
                undecided_on={
                    track: FrameSet.union(frames for other, frames, _ in opened if other == track)
                    for track, _, _ in opened
                },
                partly_decided=any(_settled(take, each) & planned for each in series),
                earlier_takes=sum(each.part == take.part and each.number < take.number for each in shot.takes),
            )


def _opened(
    take: TakeFacts, frames: FrameSet, camera: str, offered_at: datetime
) -> Iterable[tuple[FrameSet, datetime]]:
    """The undecided of these frames, by since when they are."""
    opened, decided = [(frames, offered_at)], NOTHING
    for said in take.said:
        if said.decision.camera not in {None, camera}:
            continue
        scope = said.decision.scope & frames
        if said.decision.verdict is Verdict.WITHDRAW:
            opened.append((scope & decided, max(said.at, offered_at)))
            decided = decided - scope
        else:
            opened = [(each - scope, since) for each, since in opened]
            decided = decided | scope
    return opened


def _settled(take: TakeFacts, series: SeriesFacts) -> FrameSet:
    stands = judged(take.decisions(), series.camera)
    return series.live & (stands.accepted | stands.rejected)


def _chosen_elsewhere(shot: ShotTakes, take: TakeFacts, series: SeriesFacts) -> FrameSet:
    """The frames that others of the shot's takes got accepted on this camera and pass since this take was offered."""
    return FrameSet.union(
        other.live & judged(rival.decisions(after=take.heard_at), series.camera).accepted
        for rival in shot.takes
        if rival.id != take.id
        for other in rival.series
        if (other.camera, other.pass_) == (series.camera, series.pass_)
    )
