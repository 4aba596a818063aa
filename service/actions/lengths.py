"""What is needed to say when shots' frames that remain will be there: paces, hours, the clock."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from sqlmodel import Session

from service.domain.calendars import Calendar
from service.domain.lengths import Expected, expected
from service.domain.moves import Standing
from service.domain.paces import Paces
from service.domain.progress import shot_figures
from service.store import calendars, paces, studio
from service.store.tables import ProductionRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What ends are reckoned by, of one production; `hours` by stage id, those of the studio under None."""

    paces: Paces
    hours: Mapping[int | None, Calendar]
    frame_rate: Fraction
    time_zone: str
    now: datetime

    def expected(
        self, frames: int, *, animator: str | None, stage_id: int | None, start_at: datetime | None = None
    ) -> Expected:
        """When so many frames will be there, begun at `start_at`, or now where that has gone by."""
        return expected(
            frames,
            self.paces.best(animator),
            self.hours[stage_id],
            start_at=self.now if start_at is None else max(self.now, start_at),
            frame_rate=self.frame_rate,
            time_zone=self.time_zone,
        )


def outlook(
    session: Session,
    production: ProductionRow,
    *,
    stage_ids: Collection[int],
    now: datetime,
    animators: Collection[str] | None = None,
) -> Outlook:
    """What ends on these stages, and where no stage is named, are reckoned by; of these animators where named."""
    hours: dict[int | None, Calendar] = {None: calendars.read(calendars.of_studio(session))}
    hours |= dict(calendars.kept(session, stage_ids).items())
    return Outlook(
        paces=paces.read(session, production, animators=animators),
        hours=hours,
        frame_rate=Fraction(production.rate_num, production.rate_den),
        time_zone=studio.load(session).time_zone,
        now=now,
    )


def remaining(standing: Standing, part: str | None) -> int:
    """The frames that remain of a shot, or of the part that is named; of all of it where it has no such part."""
    figures = shot_figures(standing.facts)
    of_part = (each.figures for each in figures.parts if part is not None and each.part == part)
    return next(of_part, figures.figures).remaining_frames
