"""The figures of a production day, and of what each is told: the production, its episodes, stages and animators."""

from collections.abc import Mapping
from enum import StrEnum

from service.domain.causes import ReturnCause
from service.domain.phases import Phase
from service.domain.progress import Cause


class Grouping(StrEnum):
    """What a group of figures is of."""

    PRODUCTION = "production"
    EPISODE = "episode"
    STAGE = "stage"
    ANIMATOR = "animator"


class Figure(StrEnum):
    """The figures of a group; `…_frames` are frames, the rest whole numbers of what they name."""

    NET_FRAMES = "net_frames"
    GROSS_FRAMES = "gross_frames"
    DELETED_FRAMES = "deleted_frames"
    CORRECTED_FRAMES = "corrected_frames"
    CREDITED_CHANGE_FRAMES = "credited_change_frames"
    ADDED_FRAMES = "credited_change_added_frames"
    COUNTED_FRAMES = "credited_change_counted_frames"
    CIRCLED_FRAMES = "credited_change_circled_frames"
    ACCEPTED_FRAMES = "credited_change_accepted_frames"
    REJECTED_FRAMES = "credited_change_rejected_frames"
    WITHDRAWN_FRAMES = "credited_change_withdrawn_frames"
    RECUT_FRAMES = "credited_change_recut_frames"
    OMITTED_FRAMES = "credited_change_omitted_frames"
    RESTORED_FRAMES = "credited_change_restored_frames"
    CREDIT_CORRECTED_FRAMES = "credited_change_corrected_frames"
    CREDITED_FRAMES = "credited_frames"
    PLANNED_FRAMES = "planned_frames"
    SHOTS_FINISHED = "shots_finished"
    SHOTS_FINISHED_IN_ALL = "shots_finished_in_all"
    TAKES_FINISHED = "takes_finished"
    TAKES_CIRCLED = "takes_circled"
    PLATES_IN = "plates_in"
    PLATES_MISSING = "plates_missing"
    SILENT_TERMINALS = "silent_terminals"
    LATE_COUNTS = "late_counts"
    LATE_NET_FRAMES = "late_net_frames"
    EARLIER_DAYS_COUNTS = "earlier_days_counts"
    UNMATCHED_COUNTS = "unmatched_counts"
    MOVES = "moves"
    MOVES_OVERRIDDEN = "moves_overridden"
    MOVES_BACK = "moves_back"
    BACK_FOR_PERFORMANCE = "moves_back_performance"
    BACK_FOR_LIGHT = "moves_back_light"
    BACK_FOR_CAMERA = "moves_back_camera"
    BACK_FOR_PUPPET = "moves_back_puppet"
    BACK_FOR_RIG_SEEN = "moves_back_rig_seen"
    BACK_FOR_STORY = "moves_back_story"
    BACK_FOR_RECUT = "moves_back_recut"
    BACK_FOR_OTHER = "moves_back_other"
    SIGNOFFS_GIVEN = "signoffs_given"
    SIGNOFFS_WITHDRAWN = "signoffs_withdrawn"
    SHOTS_APPROVED = "shots_approved"
    SHOTS_IN_PLANNING = "shots_in_planning"
    SHOTS_IN_SET_DRESSING = "shots_in_set_dressing"
    SHOTS_IN_SHOOTING = "shots_in_shooting"
    SHOTS_IN_BACKGROUND_PLATE = "shots_in_background_plate"
    SHOTS_IN_COMPOSITING = "shots_in_compositing"
    SHOTS_IN_APPROVAL = "shots_in_approval"
    SHOTS_APPROVED_IN_ALL = "shots_approved_in_all"
    SHOTS_SUSPENDED = "shots_suspended"


BY_CAUSE: Mapping[Cause, Figure] = {
    Cause.ADDED: Figure.ADDED_FRAMES,
    Cause.COUNTED: Figure.COUNTED_FRAMES,
    Cause.CIRCLED: Figure.CIRCLED_FRAMES,
    Cause.ACCEPTED: Figure.ACCEPTED_FRAMES,
    Cause.REJECTED: Figure.REJECTED_FRAMES,
    Cause.WITHDRAWN: Figure.WITHDRAWN_FRAMES,
    Cause.RECUT: Figure.RECUT_FRAMES,
    Cause.OMITTED: Figure.OMITTED_FRAMES,
    Cause.RESTORED: Figure.RESTORED_FRAMES,
    Cause.CORRECTED: Figure.CREDIT_CORRECTED_FRAMES,
}
BACK_BY_CAUSE: Mapping[ReturnCause, Figure] = {
    ReturnCause.PERFORMANCE: Figure.BACK_FOR_PERFORMANCE,
    ReturnCause.LIGHT: Figure.BACK_FOR_LIGHT,
    ReturnCause.CAMERA: Figure.BACK_FOR_CAMERA,
    ReturnCause.PUPPET: Figure.BACK_FOR_PUPPET,
    ReturnCause.RIG_SEEN: Figure.BACK_FOR_RIG_SEEN,
    ReturnCause.STORY: Figure.BACK_FOR_STORY,
    ReturnCause.RECUT: Figure.BACK_FOR_RECUT,
    ReturnCause.OTHER: Figure.BACK_FOR_OTHER,
}
IN_PHASE: Mapping[Phase, Figure] = {
    Phase.PLANNING: Figure.SHOTS_IN_PLANNING,
    Phase.SET_DRESSING: Figure.SHOTS_IN_SET_DRESSING,
    Phase.SHOOTING: Figure.SHOTS_IN_SHOOTING,
    Phase.BACKGROUND_PLATE: Figure.SHOTS_IN_BACKGROUND_PLATE,
    Phase.COMPOSITING: Figure.SHOTS_IN_COMPOSITING,
    Phase.APPROVAL: Figure.SHOTS_IN_APPROVAL,
    Phase.APPROVED: Figure.SHOTS_APPROVED_IN_ALL,
}
OF_PHASES = frozenset(
    {
        Figure.MOVES,
        Figure.MOVES_OVERRIDDEN,
        Figure.MOVES_BACK,
        *BACK_BY_CAUSE.values(),
        Figure.SIGNOFFS_GIVEN,
        Figure.SIGNOFFS_WITHDRAWN,
        Figure.SHOTS_APPROVED,
        *IN_PHASE.values(),
        Figure.SHOTS_SUSPENDED,
    }
)
# A count that waits for a shot has no episode yet, a terminal none at all; a shot's credit is no one animator's.
OF_EPISODE = frozenset(Figure) - {Figure.SILENT_TERMINALS, Figure.UNMATCHED_COUNTS}
OF_ANIMATOR = frozenset(
    {
        Figure.NET_FRAMES,
        Figure.GROSS_FRAMES,
        Figure.DELETED_FRAMES,
        Figure.CORRECTED_FRAMES,
        Figure.TAKES_FINISHED,
        Figure.TAKES_CIRCLED,
    }
)
FIGURES_OF: Mapping[Grouping, frozenset[Figure]] = {
    Grouping.PRODUCTION: frozenset(Figure),
    Grouping.EPISODE: OF_EPISODE,
    Grouping.STAGE: frozenset(Figure),
    Grouping.ANIMATOR: OF_ANIMATOR,
}
