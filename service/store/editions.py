"""Editions of workers' rows: which there are, which one is shown, and when another takes its place."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, delete, update
from sqlmodel import Session, col, func, select

from service.domain.editions import EditionState, may_follow
from service.store import catalogue, partitions, retention
from service.store.cursors import FACTS, Cursor, CursorKey, by_partition, insert_unless_there, put_back
from service.store.cursors import add as add_cursor
from service.store.cursors import find as find_cursor
from service.store.partitions import Behind, Part
from service.store.rows import locked
from service.store.tables import CursorRow, EditionRow


@dataclass(frozen=True, slots=True)
class Rest:
    """What rows rest on: their edition, the worker's version that made it, and the last event it has read.

    `lacks_to` is the last event that was cleaned away before they could take it into account, 0 where none was.
    """

    edition: int
    version: int
    position: int
    lacks_to: int = 0

    @property
    def tag(self) -> str:
        """What tells these rows from others, for an ETag."""
        return f"{self.edition}-{self.position}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """An edition of a worker's rows: its `number`, the worker's `version` that makes it, and its `state`.

    `by_facts` where the worker's `rebuild` fills it, which goes on from `mark` with the step number `steps` until it is
    `filled`. `reads_from` is where the log stood at the first such step, None before it. `knows_to` is the last event
    that was cleaned away when it began, where it wants such: it reads the log over that. `kinds` are those it wants,
    before it is `stored`.
    """

    worker: str
    number: int
    version: int
    state: EditionState
    by_facts: bool = False
    filled: bool = False
    mark: Any = None
    steps: int = 0
    reads_from: int | None = 0
    knows_to: int = 0
    kinds: frozenset[str] = frozenset()
    asked_by: str | None = None
    stored: bool = False

    @property
    def rules(self) -> bool:
        """Whether its rows are shown."""
        return self.state is EditionState.RULING

    @property
    def wants_facts(self) -> bool:
        """Whether facts are still to be read for it."""
        return self.by_facts and not self.filled

    @property
    def lacks_to(self) -> int:
        """The last event that its rows lack because it was cleaned away; 0 where none, or they come from facts."""
        return 0 if self.by_facts else self.knows_to

    def cursor(self, partition: str) -> CursorKey:
        """Its cursor in a partition of the log; while it wants facts, of its steps through these."""
        return CursorKey(self.worker, self.number, FACTS if self.wants_facts else partition)


def ruling(session: Session, worker: str, *, lock: bool = False) -> Edition | None:
    """The edition that is shown; None before any."""
    statement = select(EditionRow).where(*_ruling(worker))
    row = session.scalars(locked(statement, lock=lock)).one_or_none()
    return None if row is None else _edition(row)


def shown(session: Session, worker: str) -> int:
    """The number of the edition that is shown, 0 before any."""
    return session.exec(select(EditionRow.edition).where(*_ruling(worker))).one_or_none() or 0


def find(session: Session, worker: str, number: int) -> Edition | None:
    """An edition as it stands."""
    row = session.get(EditionRow, (worker, number), populate_existing=True)
    return None if row is None else _edition(row)


def live(session: Session, worker: str, version: int) -> list[Edition]:
    """The editions that a version of a worker goes on making, the one that is shown first; none before its first step.

    One that was shown before goes on only where another version's is shown, so that going back to it costs nothing.
    """
    rows = session.exec(
        select(EditionRow)
        .where(col(EditionRow.worker) == worker, col(EditionRow.swept).is_(False))
        .order_by(col(EditionRow.edition).desc())
    ).all()
    of_version = [_edition(row) for row in rows if row.version == version]
    found = [each for each in of_version if each.rules]
    found += (each for each in of_version if each.state is EditionState.FILLING)
    return found or [each for each in of_version if each.state is EditionState.FORMER][:1]


def planned(
    session: Session,
    worker: str,
    version: int,
    *,
    kinds: Collection[str],
    rebuilds: bool,
    asked_by: str | None = None,
) -> Edition:
    """The edition a version that wants these kinds of event would begin with now, not written yet.

    The first of a worker reads the log and is shown from the start; of a later one, and where events it wants were
    cleaned away, the worker computes the rows from facts where it can (`rebuilds`), beside those that are shown.
    """
    rival = ruling(session, worker)
    last = session.exec(select(func.max(EditionRow.edition)).where(col(EditionRow.worker) == worker)).one() or 0
    knows_to = retention.cleaned_to(session, kinds=kinds)
    by_facts = rebuilds and (rival is not None or knows_to > 0)
    return Edition(
        worker=worker,
        number=last + 1,
        version=version,
        state=EditionState.RULING if rival is None and not by_facts else EditionState.FILLING,
        by_facts=by_facts,
        reads_from=None if by_facts else 0,
        knows_to=knows_to,
        kinds=frozenset(kinds),
        asked_by=asked_by,
    )


def begin(session: Session, edition: Edition, *, now: datetime) -> bool:
    """Write an edition down unless it is there; False where another has its number or its place.

    Also where events of the kinds it wants were cleaned away since it was planned.
    """
    retention.hold(session)
    if edition.knows_to != retention.cleaned_to(session, kinds=edition.kinds):
        return False
    values: dict[str, object] = {
        "worker": edition.worker,
        "edition": edition.number,
        "version": edition.version,
        "state": edition.state.value,
        "by_facts": edition.by_facts,
        "mark": None,
        "steps": 0,
        "reads_from": edition.reads_from,
        "lacks_to": edition.knows_to,
        "swept": False,
        "begun_at": now,
        "asked_by": edition.asked_by,
        "ruled_at": now if edition.rules else None,
    }
    if insert_unless_there(session, EditionRow, values):
        return True
    there = find(session, edition.worker, edition.number)
    return there is not None and there.version == edition.version


def step_on(
    session: Session,
    edition: Edition,
    *,
    mark: object,
    reads_from: int,
    by_production: bool,
    batch_limit: int,
    now: datetime,
) -> bool:
    """Note that a step through the facts is done, and where the next begins; with the *mark* None they are all read.

    The log is then read from where it stood at the first step.
    False where another did this step, or the edition was given up.
    """
    moved = session.exec(
        update(EditionRow)
        .where(
            *_is(edition),
            col(EditionRow.steps) == edition.steps,
            col(EditionRow.state) == edition.state.value,
            col(EditionRow.filled_at).is_(None),
        )
        .values(
            steps=edition.steps + 1,
            mark=mark,
            reads_from=func.coalesce(EditionRow.reads_from, reads_from),
            filled_at=now if mark is None else None,
        )
    )
    if moved.rowcount == 1 and mark is None:
        session.exec(delete(CursorRow).where(*_cursors(edition), col(CursorRow.partition) == FACTS))
        begins = edition.reads_from if edition.reads_from is not None else reads_from
        for part in partitions.parts(session, by_production=by_production):
            key = CursorKey(edition.worker, edition.number, part.name)
            add_cursor(session, key, batch_limit=batch_limit, position=max(part.begins, begins))
    return moved.rowcount == 1


def interrupt(session: Session, edition: Edition) -> None:
    """Have the step through the facts that is under way done again: its facts are older than what is written now."""
    session.exec(update(EditionRow).where(*_is(edition)).values(steps=col(EditionRow.steps) + 1))


def filling(session: Session, worker: str) -> list[Edition]:
    """The editions that are filled beside the one that is shown."""
    rows = session.exec(
        select(EditionRow)
        .where(col(EditionRow.worker) == worker, col(EditionRow.state) == EditionState.FILLING.value)
        .order_by(col(EditionRow.edition))
    )
    return [_edition(row) for row in rows]


def give_up(session: Session, edition: Edition, *, now: datetime) -> None:
    """Let an edition never be shown."""
    _set(session, edition, state=EditionState.GIVEN_UP.value, ended_at=now)


def pass_over(session: Session, edition: Edition, position: int) -> None:
    """Let an edition read the log over what was cleaned away, and know that it lacks it up to this event."""
    _set(session, edition, lacks_to=position)


def begin_again(session: Session, edition: Edition, *, kinds: Collection[str], rebuilds: bool, now: datetime) -> bool:
    """Give up an edition that is not shown for another in its place; False where it has changed meanwhile."""
    state = state_of(session, edition, lock=True)
    if state is not edition.state or edition.rules:
        return False
    give_up(session, edition, now=now)
    asked_by = edition.asked_by if state is EditionState.FILLING else None
    wanted = planned(session, edition.worker, edition.version, kinds=kinds, rebuilds=rebuilds, asked_by=asked_by)
    return begin(session, wanted, now=now)


def state_of(session: Session, edition: Edition, *, lock: bool = False) -> EditionState:
    """How an edition stands by now; locked where *lock*."""
    return EditionState(session.scalars(locked(select(EditionRow.state).where(*_is(edition)), lock=lock)).one())


def rest(session: Session, worker: str) -> Rest | None:
    """What the rows now shown rest on; None while a worker has made none."""
    edition = ruling(session, worker)
    if edition is None:
        return None
    position = partitions.reached(session, worker, edition.number)
    return Rest(edition.number, edition.version, position, edition.lacks_to)


def behind(
    session: Session,
    worker: str,
    version: int,
    among: Sequence[Part],
    *,
    kinds: Collection[str],
    asked: Collection[CursorKey],
) -> list[tuple[int, Behind]]:
    """The partitions in which a version has something to do, each with the number of the edition it is for.

    An edition that wants facts has its steps done in whichever partition it is. One that is shown and needs a rebuild,
    because events of the kinds it wants were cleaned away unread, has nothing to do there.
    """
    found: list[tuple[int, Behind]] = []
    of_version = live(session, worker, version)
    for edition in of_version:
        if edition.wants_facts:
            cursor = find_cursor(session, edition.cursor(""))
            found += ((edition.number, Behind(each, -1, cursor)) for each in among[:1])
        else:
            ours = partitions.behind(session, worker, edition.number, among, asked=asked)
            if edition.rules:
                ours = retention.free(session, ours, knows_to=edition.knows_to, kinds=kinds)
            found += ((edition.number, each) for each in ours)
    if not of_version:
        found = [(0, each) for each in partitions.behind(session, worker, 0, among, asked=asked)]
    return found


def read_in(session: Session, edition: Edition, part: Part) -> int:
    """Up to which event an edition has read a partition; where it divides the log otherwise, has read all."""
    there = by_partition(session, edition.worker, edition.number)
    return _read_in(session, there, part)


def ready(
    session: Session, edition: Edition, *, by_production: bool, now: datetime, lock: bool = False
) -> tuple[Edition | None, Mapping[str, int]] | None:
    """Where an edition may be shown from now on: the one shown now, and by partition up to where that one has read."""
    if edition.wants_facts:
        return None
    own = by_partition(session, edition.worker, edition.number, lock=lock)
    before = ruling(session, edition.worker, lock=lock)
    if before is None:
        return None, {}
    loaded = catalogue.loaded(session, edition.worker, now=now) if edition.version < before.version else ()
    if before.number == edition.number or not may_follow(edition.version, before.version, loaded):
        return None
    old = by_partition(session, edition.worker, before.number, lock=lock)
    reached = {}
    for part in partitions.parts(session, by_production=by_production):
        reached[part.name] = min(part.last, _read_in(session, old, part))
        position = own[part.name].position if part.name in own else part.begins
        if position < reached[part.name]:
            return None
    return before, reached


def _read_in(session: Session, there: Mapping[str, Cursor], part: Part) -> int:
    return there[part.name].position if part.name in there else partitions.reach(session, there).position


def follow(session: Session, edition: Edition, *, by_production: bool, now: datetime) -> bool:
    """Let an edition be shown from now on, where it has read what the one now shown has; whether it is.

    The cursors of the new one are put back to those of the old where they are further, so that what happened since is
    handled, and told of, once: by the new one.
    """
    found = ready(session, edition, by_production=by_production, now=now, lock=True)
    if found is None:
        return False
    before, reached = found
    if before is None:
        _set(session, edition, state=EditionState.RULING.value, ruled_at=now)
        return True
    for name, cursor in by_partition(session, edition.worker, edition.number).items():
        if cursor.position > reached.get(name, cursor.position):
            put_back(session, edition.cursor(name), reached[name])
    _set(session, before, state=EditionState.FORMER.value, ended_at=now)
    session.exec(
        update(EditionRow)
        .where(
            col(EditionRow.worker) == edition.worker,
            col(EditionRow.state) == EditionState.FILLING.value,
            col(EditionRow.edition) != edition.number,
            col(EditionRow.version) <= edition.version,
        )
        .values(state=EditionState.GIVEN_UP.value, ended_at=now)
    )
    _set(session, edition, state=EditionState.RULING.value, ruled_at=now)
    return True


def versions(session: Session, worker: str) -> dict[int, int]:
    """The version that made each edition, by number."""
    statement = select(EditionRow.edition, EditionRow.version).where(col(EditionRow.worker) == worker)
    return dict(session.exec(statement).all())


def _set(session: Session, edition: Edition, **values: object) -> None:
    session.exec(update(EditionRow).where(*_is(edition)).values(**values))


def _ruling(worker: str) -> tuple[ColumnElement[bool], ...]:
    return col(EditionRow.worker) == worker, col(EditionRow.state) == EditionState.RULING.value


def _is(edition: Edition) -> tuple[ColumnElement[bool], ...]:
    return col(EditionRow.worker) == edition.worker, col(EditionRow.edition) == edition.number


def _cursors(edition: Edition) -> tuple[ColumnElement[bool], ...]:
    return col(CursorRow.worker) == edition.worker, col(CursorRow.edition) == edition.number


def _edition(row: EditionRow) -> Edition:
    return Edition(
        worker=row.worker,
        number=row.edition,
        version=row.version,
        state=EditionState(row.state),
        by_facts=row.by_facts,
        filled=row.filled_at is not None,
        mark=row.mark,
        steps=row.steps,
        reads_from=row.reads_from,
        knows_to=row.lacks_to,
        asked_by=row.asked_by,
        stored=True,
    )
