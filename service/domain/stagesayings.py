"""The words of notices about stages, counts, reports, bookings and workers."""

from collections.abc import Mapping

from service.domain.notices import NoticeKind
from service.domain.told import Said, Teller, Told, listed


def _frees(told: Told) -> Said:
    follows = (
        f"Next on it: {told['next_activity']}{f' of {shot}' if (shot := told['next_shot']) else ''} from "
        f"{told.at(told['next_at'])}."
        if told["next_at"]
        else "Nothing is booked on it after that."
    )
    return (
        f"Stage {told['stage']} frees on {told.at(told['frees_at'])}",
        (
            (
                f"{f'Shot {shot}' if (shot := told['shot']) else 'What stands'} on stage {told['stage']} is booked "
                f"until {told.at(told['frees_at'])}."
            ),
            follows,
            "Wanted: the coordinator says what comes next, the set dressers make ready.",
        ),
    )


def _idle(told: Told) -> Said:
    until = f"The next booking begins on {told.at(told['next_at'])}." if told["next_at"] else "Nothing is booked on it."
    return (
        f"Stage {told['stage']} stands idle",
        (f"Stage {told['stage']} has nothing booked since {told.at(told['idle_since'])}.", until),
    )


def _idle_no_more(told: Told) -> Said:
    return f"Stage {told['stage']} is taken", (f"Stage {told['stage']} stands idle no more, since {told.since}.",)


def _silent(told: Told) -> Said:
    return (
        f"Terminal {told['terminal']} of stage {told['stage']} is silent",
        (
            (
                f"Terminal {told['terminal']}, on stage {told['stage']}, which is at work, was last heard of on "
                f"{told.at(told['heard_at'])}."
            ),
            "Wanted: somebody looks at its network. What it captures is kept there and comes later; nothing is lost.",
        ),
    )


def _heard(told: Told) -> Said:
    return (
        f"Terminal {told['terminal']} of stage {told['stage']}: not silent any more",
        (f"Terminal {told['terminal']} was heard of again, or its stage was wrapped, on {told.since}.",),
    )


def _unmatched(told: Told) -> Said:
    return (
        f"Counts for {told['shot']} found no shot",
        (
            (
                f"Terminal {told['terminal']} counted for shot {told['shot']} of {told['production']} on {told.since}, "
                f"which is not in the plan ({told['reason']})."
            ),
            "Wanted: the coordinator enters the shot or matches the counts. They are kept, with their day.",
        ),
    )


def _late(told: Told) -> Said:
    counts = "1 count" if told["counts"] == 1 else f"{told['counts']} counts"
    brought = [
        f"{each['kind']}{' no longer' if each['over'] else ''}: {each['shot']}"
        f"{f' take {take}' if (take := each['take']) else ''}"
        for each in told["brought"] or ()
    ]
    return (
        f"{counts} of stage {told['stage']} came late",
        (
            (
                f"{counts} of stage {told['stage']}, captured from {told.at(told['captured_from'])} to "
                f"{told.at(told['captured_to'])}, came on {told.since}."
            ),
            f"They are of {listed(told['shots'] or [])}." if told["shots"] else "",
            f"They brought: {'; '.join(brought)}." if brought else "",
            "They count for the days they were captured on; reports of these days are revised.",
        ),
    )


def _revised(told: Told) -> Said:
    return (
        f"Report of {told['day']} revised",
        (
            (
                f"The nightly report of {told['production']} for {told['day']} has revision {told['revision']} since "
                f"{told.since}: counts came late, or something of that day was corrected."
            ),
        ),
    )


def _ready(told: Told) -> Said:
    return (
        f"Report of {told['day']} is ready",
        (f"The nightly report of {told['production']} for {told['day']} was filed on {told.since}.",),
    )


def _clash(told: Told) -> Said:
    bookings = [
        f"booking {each['booking']} ({each['firmness']}, {each['activity']}"
        f"{f' of {shot}' if (shot := each['shot']) else ''}) from {told.at(each['start'])} to {told.at(each['end'])}"
        for each in told["bookings"] or ()
    ]
    taken = [str(each[what]) for what in told["shared"] or () for each in (told["bookings"] or ())[:1]]
    return (
        f"Two bookings clash{f' on {listed(taken)}' if taken else ''}",
        (f"{'; '.join(bookings)}." if bookings else "", "Wanted: the coordinator moves one of them."),
    )


def _clash_over(told: Told) -> Said:
    numbers = told.notice.subject.removeprefix("bookings/").split("/")
    return f"Bookings {listed(numbers)} clash no more", (f"That is so since {told.since}.",)


def _powered(told: Told) -> Said:
    return (
        f"Stage {told['stage']}: power-down not confirmed",
        (
            (
                f"Stage {told['stage']} was wrapped on {told.at(told['wrapped_at'])}, and nobody has said that its "
                "power is off."
            ),
            "Wanted: somebody goes and looks.",
        ),
    )


def _powered_down(told: Told) -> Said:
    return (
        f"Stage {told['stage']}: nobody is asked about its power any more",
        (f"Somebody said on {told.since} that it is off, or the stage was called again.",),
    )


def _aside(told: Told) -> Said:
    return (
        f"Worker {told['worker']} does without an event",
        (
            (
                f"The worker {told['worker']} could not digest event {told['event']} and set it aside on {told.since}: "
                f"{told['error']}"
            ),
            "Wanted: the operator looks at it, then has it tried again or skipped.",
        ),
    )


TELLERS: Mapping[str, Teller] = {
    NoticeKind.STAGE_FREES: _frees,
    NoticeKind.STAGE_IDLE: _idle,
    NoticeKind.TERMINAL_SILENT: _silent,
    NoticeKind.COUNTS_UNMATCHED: _unmatched,
    NoticeKind.COUNTS_CAME_LATE: _late,
    NoticeKind.REPORT_REVISED: _revised,
    NoticeKind.REPORT_READY: _ready,
    NoticeKind.CLASH: _clash,
    NoticeKind.POWER_DOWN_UNCONFIRMED: _powered,
    NoticeKind.EVENT_SET_ASIDE: _aside,
}

ONCE_OVER: Mapping[str, Teller] = {
    NoticeKind.STAGE_IDLE: _idle_no_more,
    NoticeKind.TERMINAL_SILENT: _heard,
    NoticeKind.CLASH: _clash_over,
    NoticeKind.POWER_DOWN_UNCONFIRMED: _powered_down,
}
"""How the end of what lasts is told."""
