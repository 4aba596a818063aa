"""Shots as the viewing sees them, in few words: instants are hours after a Monday's noon."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from service.domain.causes import ReturnCause
from service.domain.progress import Decision, SeriesFacts, Verdict
from service.domain.reshoots import Histories
from service.domain.shots import Plan
from service.domain.takes import LedgerPost, Outcome, Purpose, SeriesState, history
from service.domain.viewing import Said, ShotTakes, TakeFacts

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
SHOT = Plan(uses=((1, 96),), cameras=("main",), passes=("main",))


def at(hour: float) -> datetime:
    return NOON + timedelta(hours=hour)


def series(
    take: int,
    frames: int,
    *,
    offered: float | None = None,
    starts_at: int = 1,
    camera: str = "main",
    part: str = "",
    abandoned: bool = False,
) -> SeriesFacts:
    """A series that was offered at an hour, is open without one, or was abandoned."""
    state = SeriesState.OPEN if offered is None else SeriesState.FINISHED
    return SeriesFacts(
        take=take,
        part=part,
        purpose=Purpose.SHOOT,
        camera=camera,
        pass_="main",
        starts_at=starts_at,
        total_frames=frames,
        state=SeriesState.ABANDONED if abandoned else state,
        offered_at=None if offered is None else at(offered),
        stage_id=1,
        ruled_at=at(offered or 0),
    )


def said(
    order: int,
    verdict: str,
    hour: float,
    *,
    first: int | None = None,
    last: int | None = None,
    camera: str | None = None,
    cause: ReturnCause | None = None,
) -> Said:
    decision = Decision(verdict=Verdict(verdict), camera=camera, first=first, last=last, cause=cause)
    return Said(order=order, at=at(hour), decision=decision)


def take(*tracks: SeriesFacts, decisions: Sequence[Said] = (), heard: float | None = None) -> TakeFacts:
    """A take of these series, heard of when it was offered unless `heard` says otherwise."""
    offers = {(each.camera, each.pass_): each.offered_at for each in tracks if each.offered_at is not None}
    last = max(offers.values(), default=None)
    return TakeFacts(
        id=tracks[0].take,
        part=tracks[0].part,
        number=tracks[0].take,
        series=tracks,
        said=decisions,
        first_offers=offers,
        heard_at=last if heard is None else at(heard),
    )


def shot(*takes: TakeFacts, plan: Plan = SHOT) -> ShotTakes:
    return ShotTakes(id=1, plan=plan, takes=takes)


def shot_frames(*totals: tuple[float, int], outcome: Outcome | None = None) -> Sequence[LedgerPost]:
    """What a terminal posted: (hour, total) in order."""
    return [
        LedgerPost(
            terminal="t",
            spool="s",
            serial=serial,
            captured_at=at(hour),
            total_frames=total,
            outcome=outcome,
            stage_id=1,
            day_on=at(hour).date(),
        )
        for serial, (hour, total) in enumerate(totals, start=1)
    ]


def histories(**posts: Sequence[LedgerPost]) -> Histories:
    """Histories on the main camera and pass by take, `t1` and so on."""
    return {(int(name[1:]), "main", "main"): history(each) for name, each in posts.items()}


MONDAY, TUESDAY = date(2026, 3, 2), date(2026, 3, 3)
