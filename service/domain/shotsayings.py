"""The words of notices about shots."""

from collections.abc import Mapping

from service.domain.notices import NoticeKind
from service.domain.told import Said, Teller, Told, frames, hours_of


def _set_dressed(told: Told) -> Said:
    return (
        f"{told['shot']}: the set is dressed",
        (f"{told.shot}: its set was signed off by {told.signers()} on {told.since}.", told.where),
    )


def _framing(told: Told) -> Said:
    return (
        f"{told['shot']}: the framing is approved",
        (
            f"{told.shot}: its framing was signed off by director and camera operator, the last on {told.since}.",
            told.where,
        ),
    )


def _reached(told: Told) -> Said:
    return (
        f"{told['shot']}: all {told['planned_frames']} planned frames are there",
        (
            f"{told.shot}: every one of its {frames(told['planned_frames'])} planned is credited since {told.since}.",
            told.where,
            "Wanted next: the director decides on the take, unless that is done.",
        ),
    )


def _reopened(told: Told) -> Said:
    return (
        f"{told['shot']}: planned frames are missing again",
        (
            f"{told.shot}: of {frames(told['planned_frames'])} planned not all are credited now, since {told.since}.",
            told.where,
            "Wanted: the stage shoots what is missing. A re-cut or a rejection may be why.",
        ),
    )


def _finished(told: Told) -> Said:
    return (
        f"{told['shot']}: {told.take} is finished",
        (
            (
                f"{told.shot}: {told.take}, {frames(told['frames'])}, was offered as finished, its last frame captured "
                f"on {told.at(told['captured_at'])}."
            ),
            told.where,
            "Wanted: the director decides on it.",
        ),
    )


def _circled(told: Told) -> Said:
    return (
        f"{told['shot']}: {told.take} is circled",
        (f"{told.shot}: {told.take} was circled on {told.since}.", told.where),
    )


def _plate_due(told: Told) -> Said:
    return (
        f"{told['shot']}: the plate is due",
        (
            f"{told.shot}: its planned frames are shot, its background plate is not, since {told.since}.",
            told["lacks"] or "",
            told.where,
            "Wanted: the camera operator has the plate shot before set, camera or lamps are touched.",
        ),
    )


def _plate_in(told: Told) -> Said:
    return (
        f"{told['shot']}: the plate is in",
        (
            f"{told.shot}: its background plate has the frames it needs since {told.since}.",
            told.where,
            "Wanted: the camera operator accepts it.",
        ),
    )


def _plate_over(told: Told) -> Said:
    return (
        f"{told['shot']}: {told.notice.kind}, no longer",
        (f"{told.shot}: what was said of its plate does not hold any more, since {told.since}.", told.where),
    )


def _comp(told: Told) -> Said:
    return (
        f"{told['shot']}: the comp is delivered",
        (
            f"{told.shot}: {told['by']} delivered its comp on {told.since}.",
            told["note"] or "",
            "Wanted: the director looks at it.",
        ),
    )


def _waited(told: Told) -> Said:
    hours = told.notice.threshold
    return (
        f"{told['shot']}: {told.take} has waited {hours_of(hours)} for a decision",
        (
            (
                f"{told.shot}: {told.take}, {frames(told['frames'])}, waits for a decision since "
                f"{told.at(told['waits_since'])}."
            ),
            told.where,
            "Wanted: the director decides on it, or a coordinator enters what the director said.",
        ),
    )


def _waits_no_more(told: Told) -> Said:
    return (
        f"{told['shot']}: {told.take} waits no more",
        (f"{told.shot}: {told.take} does not wait for a decision any more, since {told.since}.",),
    )


def _approved(told: Told) -> Said:
    return (
        f"{told['shot']} is approved",
        (f"{told.shot} was approved by {told['by']} on {told.since}.",),
    )


def _changed(told: Told) -> Said:
    return (
        f"{told['shot']}: changed since its approval",
        (
            f"{told.shot} is not any more what {told.signers()} approved, since {told.since}.",
            told["lacks"] or "",
            "Wanted: the director looks at it and approves it again, or it goes back.",
        ),
    )


def _as_approved(told: Told) -> Said:
    return (
        f"{told['shot']}: stands as approved",
        (f"{told.shot}: its approval holds for what there is, since {told.since}.",),
    )


def _cut(told: Told) -> Said:
    changes = [
        f"{name.replace('_', ' ')} from {change['before']} to {change['after']}"
        for name, change in sorted((told["changed"] or {}).items())
        if not isinstance(change["after"], list | dict)
    ]
    return (
        f"{told['shot']}: the cut changed while it is in {told['phase']}",
        (
            (
                f"{told.shot}, in {told['phase']}, was changed on {told.since} by {told['by']}"
                f"{f' ({reason})' if (reason := told['reason']) else ''}."
            ),
            f"Changed: {'; '.join(changes)}." if changes else "Which frames it shows was changed.",
            told.where,
            "Wanted: stage and animator look at the new plan before the next frame.",
        ),
    )


def _behind(told: Told) -> Said:
    tenths = told["behind_tenths"] or 0
    return (
        f"{told['shot']}: behind its booked shooting by {frames(told['behind_frames'] or 0)}",
        (
            (
                f"{told.shot}: its planned frames, spread over its booked shooting, would have been "
                f"{frames(told['behind_frames'] or 0)} further on {told.since}, or {tenths // 10}.{tenths % 10} days."
            ),
            told.where,
            "Wanted: the coordinator looks whether the booking or the plan has to change.",
        ),
    )


def _caught_up(told: Told) -> Said:
    return (
        f"{told['shot']}: not behind any more",
        (f"{told.shot}: is behind its booked shooting by less than was to be told, since {told.since}.", told.where),
    )


TELLERS: Mapping[str, Teller] = {
    NoticeKind.SET_DRESSED: _set_dressed,
    NoticeKind.FRAMING_APPROVED: _framing,
    NoticeKind.PLANNED_REACHED: _reached,
    NoticeKind.TAKE_FINISHED: _finished,
    NoticeKind.TAKE_CIRCLED: _circled,
    NoticeKind.PLATE_DUE: _plate_due,
    NoticeKind.PLATE_IN: _plate_in,
    NoticeKind.COMP_DELIVERED: _comp,
    NoticeKind.DECISION_WAITED_FOR: _waited,
    NoticeKind.APPROVED: _approved,
    NoticeKind.CHANGED_SINCE_APPROVAL: _changed,
    NoticeKind.CUT_CHANGED: _cut,
    NoticeKind.BEHIND_BY_FRAMES: _behind,
    NoticeKind.BEHIND_BY_DAYS: _behind,
}

ONCE_OVER: Mapping[str, Teller] = {
    NoticeKind.PLANNED_REACHED: _reopened,
    NoticeKind.PLATE_DUE: _plate_over,
    NoticeKind.PLATE_IN: _plate_over,
    NoticeKind.DECISION_WAITED_FOR: _waits_no_more,
    NoticeKind.CHANGED_SINCE_APPROVAL: _as_approved,
    NoticeKind.BEHIND_BY_FRAMES: _caught_up,
    NoticeKind.BEHIND_BY_DAYS: _caught_up,
}
"""How the end of what lasts is told."""
