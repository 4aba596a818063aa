"""Findings and differences: what is to be said of a cut list, and what it changes."""

from collections.abc import Mapping
from typing import Any

from pydantic import Field
from sqlmodel import Session

from service.api.fields import Out
from service.domain.differences import Change, End
from service.domain.findings import Finding, FindingKind
from service.domain.phases import Phase
from service.store import stages

FINDING = {
    "kind": "gap",
    "fault": False,
    "line": 5,
    "column": None,
    "shot": "0130",
    "detail": "12 frames lie between 0120 and 0130.",
}
DIFFERENCES = {
    "changed": {change.value: int(change is Change.SHORTENED) for change in Change},
    "cut_frames_before": 158,
    "cut_frames_after": 142,
    "planned_frames_before": 158,
    "planned_frames_after": 142,
    "shots": [
        {
            "shot": "0120",
            "changes": ["shortened"],
            "end": "tail",
            "head_frames": 0,
            "tail_frames": -16,
            "cut_frames_before": 96,
            "cut_frames_after": 80,
            "planned_frames_before": 96,
            "planned_frames_after": 80,
            "in_hand": {
                "phase": "compositing",
                "stages": ["mill"],
                "credited_frames_before": 90,
                "credited_frames_after": 80,
                "remaining_frames_after": 0,
                "overshoot_frames_after": 10,
                "reopens": False,
                "comp_goes_out_of_date": False,
                "approval_goes_out_of_date": False,
            },
        }
    ],
    "unchanged": ["0110"],
}


class FindingOut(Out):
    """What is to be said of a line of the list."""

    kind: FindingKind = Field(description="What it is.")
    fault: bool = Field(description="Whether the list cannot be taken because of it; else it is a remark.")
    line: int = Field(description="The line of the list's text, from 1.")
    column: str | None = Field(description="Of a table, the name of the column; null where it is about the whole line.")
    shot: str | None = Field(description="The code of the shot it concerns, where it concerns one.")
    detail: str = Field(description="What stands there, and what would be right.")

    @classmethod
    def of(cls, finding: Finding) -> "FindingOut":
        """The finding."""
        return cls(
            kind=finding.kind,
            fault=finding.fault,
            line=finding.line,
            column=finding.column,
            shot=finding.shot,
            detail=finding.detail,
        )


class InHandOut(Out):
    """What a new cut does to a shot of which something was shot, in frames."""

    phase: Phase | None = Field(
        None, description="The phase it is in, and stays in; null of a cut that was locked before this was kept."
    )
    stages: list[str] = Field(description="The codes of the stages that counted it.")
    credited_frames_before: int = Field(description="Credited frames as things stand.")
    credited_frames_after: int = Field(description="Credited frames under the new cut.")
    remaining_frames_after: int = Field(description="Frames still to be credited under the new cut.")
    overshoot_frames_after: int = Field(description="Frames beyond the planned ones under the new cut.")
    reopens: bool = Field(description="Whether all of it was credited and now is not.")
    comp_goes_out_of_date: bool | None = Field(
        None, description="Whether its comp shows all that is asked for now and will not under the new cut."
    )
    approval_goes_out_of_date: bool | None = Field(
        None, description="Whether it is approved as it is now and, under the new cut, has changed since."
    )


class DifferenceOut(Out):
    """How one shot differs from the current cut, in frames."""

    shot: str = Field(description="The code of the shot.")
    changes: list[Change] = Field(description="What befalls it.")
    end: End | None = Field(
        description="Which end changes; `unknown` where the list could not tell: the tail is taken."
    )
    head_frames: int = Field(description="Frames gained at the head, negative where frames came off.")
    tail_frames: int = Field(description="Frames gained at the tail, negative where frames came off.")
    cut_frames_before: int = Field(description="Frames the cut shows of it before; 0 where it shows none.")
    cut_frames_after: int = Field(description="Frames the cut shows of it after.")
    planned_frames_before: int = Field(description="Planned frames before, with handles and dissolves.")
    planned_frames_after: int = Field(description="Planned frames after.")
    in_hand: InHandOut | None = Field(description="What that does to what was shot of it; null where nothing was.")


class DifferencesOut(Out):
    """What a cut changes of the shots it decides on; shots it does not cover are in no figure."""

    changed: dict[Change, int] = Field(description="How many shots each change befalls.")
    cut_frames_before: int = Field(description="Frames the cut shows of these shots before.")
    cut_frames_after: int = Field(description="Frames the cut shows of them after.")
    planned_frames_before: int = Field(description="Planned frames of these shots before.")
    planned_frames_after: int = Field(description="Planned frames of them after.")
    shots: list[DifferenceOut] = Field(description="Each shot that differs.")
    unchanged: list[str] = Field(description="The codes of those that do not.")


def differences_out(session: Session, values: Mapping[str, Any] | None) -> DifferencesOut | None:
    """The differences that were kept as these values, with the codes of stages; None of none."""
    if values is None:
        return None
    hands = [each["in_hand"] for each in values["shots"] if each["in_hand"] is not None]
    codes = stages.codes(session, {stage_id for hand in hands for stage_id in hand["stage_ids"]})
    return DifferencesOut.model_validate(
        {**values, "shots": [{**each, "in_hand": _hand(each["in_hand"], codes)} for each in values["shots"]]}
    )


def _hand(values: Mapping[str, Any] | None, codes: Mapping[int, str]) -> dict[str, Any] | None:
    if values is None:
        return None
    rest = {name: value for name, value in values.items() if name != "stage_ids"}
    return {**rest, "stages": [codes[stage_id] for stage_id in values["stage_ids"]]}
