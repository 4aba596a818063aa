"""Which shots of a production a list is asked for."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Query
from sqlmodel import Session

from service.actions import productions, stages
from service.api.fields import Code, Line
from service.domain.phases import Fact, Phase
from service.store.shots import Filter
from service.store.tables import ProductionRow


@dataclass(frozen=True, slots=True)
class Sought:
    """What is asked of shots: each of them where it is not None."""

    episode: str | None
    stage: str | None
    scene: str | None
    phase: Phase | None
    blocked_by: Fact | None
    animator: str | None
    in_hand: bool | None
    suspended: bool | None

    def where(self, session: Session, of: ProductionRow, *, on_stage_id: int | None) -> Filter:
        """The same as the store is asked; raises EpisodeUnknown and StageUnknown."""
        return Filter(
            episode_id=None if self.episode is None else productions.find_episode(session, of, self.episode).id,
            stage_id=None if self.stage is None else stages.find(session, self.stage).id,
            scene=self.scene,
            on_stage_id=on_stage_id,
            phase=None if self.phase is None else self.phase.value,
            animator=self.animator,
            suspended=self.suspended,
            in_hand=self.in_hand,
        )


def sought(
    *,
    episode: Annotated[str | None, Query(description="Only shots of the episode with this code.")] = None,
    stage: Annotated[str | None, Query(description="Only shots planned for the stage with this code.")] = None,
    scene: Annotated[Code | None, Query(description="Only shots of this scene.")] = None,
    phase: Annotated[Phase | None, Query(description="Only shots in this phase.")] = None,
    blocked_by: Annotated[
        Fact | None, Query(description="Only shots that lack this fact for their next phase; none that is omitted.")
    ] = None,
    animator: Annotated[Line | None, Query(description="Only shots that this animator is named for.")] = None,
    in_hand: Annotated[
        bool | None,
        Query(description="Only shots from set dressing to approval, neither omitted nor suspended; or only others."),
    ] = None,
    suspended: Annotated[bool | None, Query(description="Only suspended shots, or only others.")] = None,
) -> Sought:
    """The shots a request asks for."""
    return Sought(episode, stage, scene, phase, blocked_by, animator, in_hand, suspended)


Seeking = Annotated[Sought, Depends(sought)]
