"""Needs drafts: take a table of what shots need, say what it would change, apply it whole."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions import needs
from service.actions.cuts import refuse
from service.actions.needs import Standing
from service.actions.sheets import Sheet
from service.domain.findings import Finding, FindingKind, Findings, ListUnreadable
from service.domain.needs_csv import NeedsLine, read_needs
from service.domain.refusals import Clash, Unknown
from service.domain.texts import decoded
from service.store import cuts as cut_store
from service.store import needs_drafts as store
from service.store import shots as shot_store
from service.store import studio, takes
from service.store.events import append_all
from service.store.tables import NeedsDraftRow, ProductionRow


@dataclass(eq=False)
class NeedsDraftUnknown(Unknown):
    """The production {production} has no draft {draft} of needs."""

    production: str
    draft: str


@dataclass(eq=False)
class NeedsDraftApplied(Clash):
    """The draft {draft} was applied by {by}; send the table again for another."""

    draft: int
    by: str


@dataclass(eq=False)
class NeedsChanged(Clash):
    """What these shots need was changed since the draft {draft} was made: {shots}. Nothing was applied.

    Send the table again, and look at what it would change now.
    """

    draft: int
    shots: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A row of a draft: what it says of a shot, what stood then in the same fields, and the `rev` of its needs."""

    line: int
    shot: str
    wanted: Mapping[str, Any]
    before: Mapping[str, Any]
    rev: int

    def changed(self) -> dict[str, dict[str, Any]]:
        """What it would change, by field, before and after."""
        return {
            name: {"before": self.before[name], "after": after}
            for name, after in self.wanted.items()
            if self.before[name] != after
        }

    def stands(self, present: Standing) -> bool:
        """Whether the shot still is as it was when the draft was made."""
        values = present.values()
        return present.rev == self.rev and all(values[name] == each for name, each in self.before.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class Drafted:
    """A draft with its rows, what is to be said of its table, and the shots that were changed since it was made."""

    row: NeedsDraftRow
    lines: Sequence[Kept]
    findings: Sequence[Finding]
    stale: Sequence[str]


def draft(session: Session, production: ProductionRow, body: bytes, *, by: str, now: datetime) -> Drafted:
    """Keep a table as the next draft of a locked production; nothing of any shot changes yet.

    Raises ListRefused with every fault there is.
    """
    findings = Findings()
    try:
        lines = read_needs(body, findings)
        ids = _known(session, production, lines)
        _judge(lines, ids, findings)
        said = findings.settle()
    except ListUnreadable as unreadable:
        refuse(unreadable.findings)
        raise
    present = _standing(session, [ids[line.shot] for line in lines])
    kept = [_kept(line, present[ids[line.shot]]) for line in lines]
    row = NeedsDraftRow(
        production_id=production.id or 0,
        number=store.last_number(session, production.id or 0) + 1,
        text=decoded(body, Findings()),
        findings=[cut_store.finding_values(each) for each in said],
        rows=[_values(each) for each in kept],
        drafted_by=by,
        drafted_at=now,
    )
    session.add(row)
    session.flush()
    return Drafted(row=row, lines=kept, findings=said, stale=())


def look(session: Session, production: ProductionRow, row: NeedsDraftRow) -> Drafted:
    """A draft, and which of its shots were changed since."""
    lines = _lines(row)
    stale: Sequence[str] = ()
    if row.applied_at is None:
        ids = _known(session, production, lines)
        stale = _stale(lines, ids, _standing(session, ids.values()))
    return Drafted(row=row, lines=lines, findings=cut_store.findings_of(row.findings), stale=stale)


def find(session: Session, production: ProductionRow, number: str) -> NeedsDraftRow:
    """The draft of this number; raises NeedsDraftUnknown."""
    numbered = number.isascii() and number.isdigit() and len(number) < len("1000000000")
    row = store.by_number(session, production.id or 0, int(number)) if numbered else None
    if row is None:
        raise NeedsDraftUnknown(production.code, number)
    return row


def apply(
    session: Session,
    production: ProductionRow,
    row: NeedsDraftRow,
    *,
    check: Callable[[], None],
    by: str,
    now: datetime,
) -> Drafted:
    """Enter all that a draft of a locked production says, under the locks of all its shots, or nothing.

    `check` raises where the caller knew another state of the draft. Raises NeedsDraftApplied and NeedsChanged.
    """
    check()
    if row.applied_by is not None:
        raise NeedsDraftApplied(row.number, row.applied_by)
    lines = _lines(row)
    ids = _known(session, production, lines)
    takes.locked_shots(session, [ids[line.shot] for line in lines])
    present = _standing(session, [ids[line.shot] for line in lines])
    if stale := _stale(lines, ids, present):
        raise NeedsChanged(row.number, tuple(stale))
    happenings = []
    # One for all: read shot by shot, what the figures of a whole production rest on keeps its counts waiting.
    sheet = Sheet(session, [ids[line.shot] for line in lines], studio.load(session))
    for line in lines:
        if line.changed():
            happenings += needs.enter(
                session,
                production,
                present[ids[line.shot]],
                wanted=line.wanted,
                known=ids,
                by=by,
                now=now,
                draft=row.number,
                sheet=sheet,
            )
    sheet.save(now=now)
    row.applied_by, row.applied_at = by, now
    append_all(session, happenings)
    return Drafted(row=row, lines=lines, findings=cut_store.findings_of(row.findings), stale=())


def _known(session: Session, production: ProductionRow, lines: Sequence[NeedsLine | Kept]) -> dict[str, int]:
    """The ids of all the production's shots that a table names."""
    codes = {line.shot for line in lines} | {code for line in lines if (code := line.wanted.get("insert_of"))}
    return shot_store.ids_by_code(session, production.id or 0, codes)


def _judge(lines: Iterable[NeedsLine], ids: Mapping[str, int], findings: Findings) -> None:
    for line in lines:
        if line.shot not in ids:
            detail = f"the production has no shot {line.shot}; add it first"
            findings.add(FindingKind.UNKNOWN_SHOT, line.line, detail, shot=line.shot, column="shot")
        if (why := needs.unfit(line.shot, line.wanted, ids)) is not None:
            findings.add(FindingKind.UNKNOWN_SHOT, line.line, why, shot=line.shot, column="insert_of")


def _standing(session: Session, ids: Iterable[int]) -> dict[int, Standing]:
    rows = shot_store.by_ids(session, list(ids))
    return {each.shot.id or 0: each for each in needs.standing(session, rows)}


def _stale(lines: Iterable[Kept], ids: Mapping[str, int], present: Mapping[int, Standing]) -> list[str]:
    return [line.shot for line in lines if not line.stands(present[ids[line.shot]])]


def _kept(line: NeedsLine, present: Standing) -> Kept:
    values = present.values()
    before = {name: values[name] for name in line.wanted}
    return Kept(line=line.line, shot=line.shot, wanted=line.wanted, before=before, rev=present.rev)


def _values(kept: Kept) -> dict[str, Any]:
    return {
        "line": kept.line,
        "shot": kept.shot,
        "wanted": dict(kept.wanted),
        "before": dict(kept.before),
        "rev": kept.rev,
    }


def _lines(row: NeedsDraftRow) -> list[Kept]:
    return [Kept(**each) for each in row.rows]
