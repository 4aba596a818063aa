"""Cuts: take a list as a draft of an episode's cut, say what it would change, lock it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from sqlmodel import Session

from service.actions.misfits import touched_by_recuts
from service.actions.recuts import apply
from service.actions.sheets import Sheet
from service.actions.unmatched import match_waiting
from service.domain.cutlists import read
from service.domain.cuts import WHOLE_EPISODE, CoversRefused
from service.domain.events import EventKind
from service.domain.findings import Finding, FindingKind, ListUnreadable
from service.domain.patterns import NamePattern, PatternUnclear
from service.domain.proposals import EpisodeFacts, Handles, Proposal, propose
from service.domain.rates import rate_of, rate_text
from service.domain.readings import ListFormat, NameFrom, Reading
from service.domain.refusals import Clash, Fault, Unfit, UnfitFields, Unknown
from service.domain.uses import CutList
from service.store import cuts as store
from service.store import moves, studio, takes
from service.store import shots as shot_store
from service.store.events import Happening, append, append_all
from service.store.tables import CutRow, EpisodeRow, ProductionRow, ShotRow

# More would make one answer as large as the list itself; the number of all stands in its message.
FINDINGS_SHOWN = 500
CURRENT = "current"


@dataclass(eq=False)
class CutUnknown(Unknown):
    """The episode {episode} has no cut revision {revision}."""

    episode: str
    revision: str


@dataclass(eq=False)
class CutLocked(Clash):
    """Revision {revision} of {episode} was locked by {by}; send the list again for another draft."""

    episode: str
    revision: int
    by: str


@dataclass(eq=False)
class ListRefused(Unfit):
    """The list cannot be taken as it stands, and nothing of it was kept; faults found: {count}.

    Each of `findings` names its line and says what would be right; remarks, which are no faults, stand among them.
    """

    count: int
    findings: tuple[Mapping[str, Any], ...]
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How a list is to be taken: its frame rate, where its shots' codes stand, handles in frames, what it covers.

    `handle_in` and `handle_out` are for every shot it names, None to leave those of known shots; `covers` is `episode`
    or `FIRST-LAST`.
    """

    format: ListFormat
    frame_rate: Fraction
    name_from: NameFrom = NameFrom.REEL
    name_pattern: str | None = None
    handle_in: int | None = None
    handle_out: int | None = None
    covers: str = WHOLE_EPISODE

    def values(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "frame_rate": rate_text(self.frame_rate),
            "name_from": self.name_from.value,
            "name_pattern": self.name_pattern,
            "handle_in": self.handle_in,
            "handle_out": self.handle_out,
            "covers": self.covers,
        }


@dataclass(frozen=True, slots=True)
class Drafted:
    """A revision of a cut, the findings of its list, and what it would change as things stand; locked, what it did.

    `touched` are the bookings of shots that differ; None where a draft cannot be locked any more, and of a cut that was
    locked before this was kept.
    """

    row: CutRow
    findings: Sequence[Finding]
    differences: Mapping[str, Any] | None
    touched: Sequence[Mapping[str, Any]] | None = None


def draft(
    session: Session,
    production: ProductionRow,
    episode: EpisodeRow,
    body: bytes,
    *,
    asked: Asked,
    by: str,
    now: datetime,
) -> Drafted:
    """Keep a list as the next revision of a locked episode's cut; nothing of the plan changes yet.

    Raises ListRefused and UnfitFields.
    """
    listing = _read(production, body, asked)
    whole = _propose(session, production, episode, listing=listing, asked=asked)
    findings = (*listing.findings, *whole.findings)
    refuse(findings)
    row = CutRow(
        episode_id=episode.id or 0,
        revision=store.last_revision(session, episode.id or 0) + 1,
        format=asked.format.value,
        asked=asked.values(),
        text=_text(body),
        title=listing.title,
        drop_frame=listing.drop_frame,
        uses=[store.use_values(use) for use in listing.uses],
        findings=[store.finding_values(finding) for finding in listing.findings],
        drafted_by=by,
        drafted_at=now,
    )
    session.add(row)
    session.flush()
    data = {"production": production.code, "episode": episode.code, "revision": row.revision}
    append(session, kind=EventKind.CUT_DRAFTED, at=now, actor=by, production_id=production.id, data=data)
    concerned = touched_by_recuts(session, production, whole.recuts, now=now)
    return Drafted(row, findings, store.difference_values(whole), concerned)


def look(session: Session, production: ProductionRow, episode: EpisodeRow, row: CutRow, *, now: datetime) -> Drafted:
    """A revision with its differences: of a draft as things stand now, None where it could not be locked any more."""
    findings = store.findings_of(row.findings)
    if row.differences is not None:
        return Drafted(row, findings, row.differences, row.differences.get("bookings"))
    asked = _asked(row)
    try:
        whole = _propose(session, production, episode, listing=listing_of(row), asked=asked)
    except UnfitFields:
        return Drafted(row, findings, None)
    differences = None if any(finding.fault for finding in whole.findings) else store.difference_values(whole)
    if differences is None:
        return Drafted(row, (*findings, *whole.findings), None)
    concerned = touched_by_recuts(session, production, whole.recuts, now=now)
    return Drafted(row, (*findings, *whole.findings), differences, concerned)


def find(session: Session, episode: EpisodeRow, revision: str) -> CutRow:
    """The revision of this number, or the locked one by the name `current`; raises CutUnknown."""
    number = episode.cut_revision if revision == CURRENT else _number(revision)
    row = None if number is None else store.by_revision(session, episode.id or 0, number)
    if row is None:
        raise CutUnknown(episode.code, revision)
    return row


def listing_of(row: CutRow) -> CutList:
    """The list of a revision; of a locked one the cut of the whole episode."""
    return CutList(
        frame_rate=_asked(row).frame_rate,
        drop_frame=row.drop_frame,
        title=row.title,
        uses=store.uses_of(row),
        findings=store.findings_of(row.findings),
    )


def lock(
    session: Session,
    production: ProductionRow,
    episode: EpisodeRow,
    row: CutRow,
    *,
    check: Callable[[], None],
    by: str,
    now: datetime,
) -> Drafted:
    """Make a draft the cut of its locked episode in one go: shots are added, re-cut, omitted and restored.

    `check` raises where the caller knew another current cut. Raises CutLocked, ListRefused and UnfitFields.
    """
    check()
    if row.locked_by is not None:
        raise CutLocked(episode.code, row.revision, row.locked_by)
    sheet = Sheet(session, store.shot_ids(session, episode.id or 0), studio.load(session))
    listing = listing_of(row)
    whole = _propose(session, production, episode, listing=listing, asked=_asked(row), locked=sheet)
    refuse(whole.findings)
    row.follows, row.locked_by, row.locked_at = episode.cut_revision, by, now
    row.differences = store.difference_values(whole)
    row.uses = [store.use_values(use) for use in whole.uses]
    findings = (*listing.findings, *whole.findings)
    row.findings = [store.finding_values(finding) for finding in findings]
    done = apply(session, production, episode, whole, sheet=sheet, revision=row.revision, by=by, now=now)
    concerned = touched_by_recuts(session, production, whole.recuts, fates=done.fates, now=now)
    row.differences = {**row.differences, "bookings": concerned}
    said = {
        "production": production.code,
        "episode": episode.code,
        "revision": row.revision,
        "follows": row.follows,
        **store.totals(whole),
    }
    locked = Happening(kind=EventKind.CUT_LOCKED, at=now, actor=by, production_id=production.id, data=said)
    append_all(session, [locked, *done.happenings])
    match_waiting(session, production, done.arrived, by=by, now=now)
    return Drafted(row, findings, row.differences, concerned)


def _read(production: ProductionRow, body: bytes, asked: Asked) -> CutList:
    rate = Fraction(production.rate_num, production.rate_den)
    if asked.frame_rate != rate:
        detail = (
            f"The list is said to be at {rate_text(asked.frame_rate)}, but {production.code} is at {rate_text(rate)}: "
            "its numbers would mean other frames. Have it made at the production's rate."
        )
        refuse((Finding(kind=FindingKind.OTHER_RATE, line=1, detail=detail),))
    try:
        pattern = None if asked.name_pattern is None else NamePattern.of(asked.name_pattern)
    except PatternUnclear as refused:
        raise UnfitFields((Fault(str(refused), place="query name_pattern"),)) from None
    reading = Reading(format=asked.format, frame_rate=asked.frame_rate, name_from=asked.name_from, name_pattern=pattern)
    try:
        return read(body, reading)
    except ListUnreadable as unreadable:
        refuse(unreadable.findings)
        raise


def refuse(findings: Sequence[Finding]) -> None:
    """Raise ListRefused where any of what was found is a fault."""
    faults = [finding for finding in findings if finding.fault]
    if faults:
        raise ListRefused(
            len(faults),
            tuple(store.finding_values(each) | {"fault": each.fault} for each in findings[:FINDINGS_SHOWN]),
            tuple(Fault(finding.detail, place=_place(finding)) for finding in faults),
        )


def _place(finding: Finding) -> str:
    return f"line {finding.line}" if finding.column is None else f"line {finding.line}, column {finding.column}"


def _propose(
    session: Session,
    production: ProductionRow,
    episode: EpisodeRow,
    *,
    listing: CutList,
    asked: Asked,
    locked: Sheet | None = None,
) -> Proposal:
    """What a list makes of an episode, whose shots may be `locked` on a sheet. Raises UnfitFields of `covers`."""
    episode_id = episode.id or 0
    if locked is None:
        rows: Sequence[ShotRow] = shot_store.by_ids(session, store.shot_ids(session, episode_id))
        plate_minimum_frames = studio.load(session).plate_minimum_frames
        facts = takes.shot_facts(session, rows, plate_minimum_frames=plate_minimum_frames)
    else:
        rows = list(locked.shots.values())
        facts = {row.id or 0: locked.facts(row.id or 0) for row in rows}
    standings = moves.standings_by(session, rows, facts)
    current = None if episode.cut_revision is None else store.by_revision(session, episode_id, episode.cut_revision)
    codes = {use.shot for use in listing.uses}
    known = EpisodeFacts(
        shots={row.code: standings[row.id or 0] for row in rows},
        cuts={row.code: store.cut_shot(row, facts[row.id or 0]) for row in rows},
        current=() if current is None else store.uses_of(current),
        elsewhere=frozenset(store.elsewhere(session, production.id or 0, episode_id=episode_id, codes=codes)),
    )
    try:
        return propose(
            listing.uses, known, covers=asked.covers, handles=Handles(before=asked.handle_in, after=asked.handle_out)
        )
    except CoversRefused as refused:
        raise UnfitFields((Fault(str(refused), place="query covers"),)) from None


def _asked(row: CutRow) -> Asked:
    kept = dict(row.asked)
    rate = rate_of(kept.pop("frame_rate"))
    if rate is None:
        raise ValueError(f"the kept cut {row.id} has no frame rate")
    name_from = NameFrom(kept.pop("name_from"))
    return Asked(format=ListFormat(row.format), frame_rate=rate, name_from=name_from, **kept)


def _number(revision: str) -> int | None:
    return int(revision) if revision.isascii() and revision.isdigit() and len(revision) < len("1000000000") else None


def _text(body: bytes) -> str:
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return body.decode("latin-1")
