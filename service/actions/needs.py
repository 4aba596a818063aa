"""Needs: enter what shots need, and with it what their plans require of cameras and passes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions import shots
from service.actions.sheets import Sheet
from service.actions.shots import Planned
from service.domain.events import EventKind
from service.domain.needs import NEEDED, Needs
from service.domain.refusals import Fault, UnfitFields, Unknown
from service.store import needs as store
from service.store import shots as shot_store
from service.store.events import Happening, append_all
from service.store.tables import NeedsRow, ProductionRow, ShotRow

Values = Mapping[str, Any]


@dataclass(eq=False)
class NeedsNotEntered(Unknown):
    """Nothing was entered of what {shot} needs: `PUT /v1/productions/{production}/shots/{shot}/needs` enters it."""

    production: str
    shot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A shot's needs as they stand; `row` is None where nobody has entered any."""

    shot: ShotRow
    row: NeedsRow | None
    needs: Needs
    planned: Planned

    @property
    def rev(self) -> int:
        """How often they were changed, 0 before they were entered."""
        return 0 if self.row is None else self.row.rev

    def values(self) -> dict[str, Any]:
        """All that is entered of them and with them, by the names and in the types it has in JSON."""
        return {
            **self.needs.values(),
            "moving_camera": self.planned.moving_camera,
            "cameras": list(self.planned.cameras),
            "passes": list(self.planned.passes),
            "animator": self.planned.animator,
        }


def standing(session: Session, rows: Sequence[ShotRow]) -> list[Standing]:
    """What these shots need, in their order; of locked shots, as nobody else can change it."""
    entered = store.entered(session, [row.id or 0 for row in rows])
    found = []
    for row, planned in zip(rows, shots.planned(session, rows), strict=True):
        own, needs = entered.get(row.id or 0, (None, Needs()))
        found.append(Standing(shot=row, row=own, needs=needs, planned=planned))
    return found


def find(session: Session, production: ProductionRow, row: ShotRow) -> Standing:
    """What a shot needs; raises NeedsNotEntered."""
    found = standing(session, [row])[0]
    if found.row is None:
        raise NeedsNotEntered(production.code, row.code)
    return found


def put(
    session: Session, production: ProductionRow, present: Standing, *, wanted: Values, by: str, now: datetime
) -> Standing:
    """Enter what a locked shot needs, and give it as it then stands; what is not among `wanted` stays.

    Raises UnfitFields.
    """
    codes = {code for code in [wanted.get("insert_of")] if code is not None}
    known = shot_store.ids_by_code(session, production.id or 0, codes)
    if (why := unfit(present.shot.code, wanted, known)) is not None:
        raise UnfitFields((Fault(why, pointer="#/insert_of"),))
    append_all(session, enter(session, production, present, wanted=wanted, known=known, by=by, now=now))
    return standing(session, [present.shot])[0]


def unfit(shot: str, wanted: Values, known: Mapping[str, int]) -> str | None:
    """Why a shot cannot be the insert of the one it is said to be; `known` are the ids of the shots there are."""
    match wanted.get("insert_of"):
        case None:
            return None
        case code if code == shot:
            return "A shot is not its own insert: name the shot it is cut into."
        case code if code not in known:
            return "The production has no shot of this code; add it first."
        case _:
            return None


def enter(
    session: Session,
    production: ProductionRow,
    present: Standing,
    *,
    wanted: Values,
    known: Mapping[str, int],
    by: str,
    now: datetime,
    draft: int | None = None,
    sheet: Sheet | None = None,
) -> list[Happening]:
    """Write what a locked shot needs, which must be fit, and say what happened, for the caller to append last.

    A `sheet` of many shots is the caller's to save.
    """
    changed = differences(present, wanted)
    own = {name: each for name, each in changed.items() if name in NEEDED}
    happenings = []
    row = present.row
    # A table that leaves needs as they are where nobody entered any enters none.
    if own or (row is None and draft is None):
        if row is None:
            row = NeedsRow(shot_id=present.shot.id or 0, characters=[], props=[], rev=0, entered_by=by, entered_at=now)
        after = Needs.of({name: wanted.get(name, before) for name, before in present.needs.values().items()})
        insert_of_id = row.insert_of_id if "insert_of" not in wanted else known.get(wanted["insert_of"] or "")
        store.write(row, after, insert_of_id=insert_of_id)
        row.rev, row.entered_by, row.entered_at = row.rev + 1, by, now
        session.add(row)
        present.shot.touched += 1
        happenings.append(_entered(production, present.shot, own, draft=draft, by=by, now=now))
    if changed.keys() - own.keys():
        planned = _planned(present.planned, wanted)
        said = shots.rewrite(
            session, production, present.shot, wanted=planned, now=now, present=present.planned, sheet=sheet
        )
        reason = None if draft is None else f"needs draft {draft}"
        happenings.append(shots.changed_event(present.shot, said, production, reason=reason, by=by, now=now))
    return happenings


def differences(present: Standing, wanted: Values) -> dict[str, dict[str, Any]]:
    """What `wanted` would change of what stands, by field, before and after."""
    before = present.values()
    return {name: {"before": before[name], "after": after} for name, after in wanted.items() if before[name] != after}


def _planned(present: Planned, wanted: Values) -> Planned:
    return replace(
        present,
        moving_camera=wanted.get("moving_camera", present.moving_camera),
        cameras=tuple(wanted.get("cameras", present.cameras)),
        passes=tuple(wanted.get("passes", present.passes)),
        animator=wanted.get("animator", present.animator),
    )


def _entered(
    production: ProductionRow, row: ShotRow, changed: Values, *, draft: int | None, by: str, now: datetime
) -> Happening:
    return Happening(
        kind=EventKind.NEEDS_ENTERED,
        at=now,
        actor=by,
        production_id=production.id,
        shot_id=row.id,
        data={"production": production.code, "shot": row.code, "changed": changed, "draft": draft},
    )
