"""Planted faults: what the tests would say if a promise of the house were broken.

`python -m tests.faults.plant` copies the tree, checks that each named test passes in the copy, then applies one fault
after another to a copy and checks that the test named for it fails. A fault that no test notices, or whose place in the
source is no longer found, is an error. Needs PostgreSQL where a fault is one on PostgreSQL alone.
"""

import os
import shutil
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tests.faults.children import HOUSE, OURS, Ran, Run, Verdict, each_of, preload

AT_ONCE = 2
LIMIT_S = 90
# All named tests of a database in one go, on a machine that is busy.
SOUND_LIMIT_S = 600


@dataclass(frozen=True, slots=True)
class Edit:
    """A line or a few of a file, and what stands there instead."""

    file: str
    old: str
    new: str

    def apply(self, tree: Path) -> None:
        """Make the edit; raises ValueError unless its place is there exactly once."""
        path = tree / self.file
        text = path.read_text()
        if (found := text.count(self.old)) != 1:
            raise ValueError(f"{self.file} has {found} times what is to be replaced:\n{self.old}")
        # The copies of the tree share their files, and what was compiled of them, until one is written anew.
        path.unlink()
        path.write_text(text.replace(self.old, self.new))
        for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            compiled.unlink()


@dataclass(frozen=True, slots=True)
class Fault:
    """A broken promise: the edits that break it, the one test that must then fail, and the database it shows on.

    `refused` is the error by which the house itself refuses to work with it, so that the test cannot even begin.
    """

    name: str
    edits: tuple[Edit, ...]
    test: str
    database: str = "sqlite"
    refused: str = ""


FAULTS = (
    Fault(
        "no advisory lock before the log",
        (
            Edit(
                "service/store/events.py",
                'session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _APPEND_LOCK})',
                'session.execute(text("SELECT :key"), {"key": _APPEND_LOCK})',
            ),
        ),
        "tests/store/test_events.py::test_no_event_is_committed_before_an_earlier_one",
        "postgresql",
    ),
    Fault(
        "no compare-and-set on the cursor",
        (
            Edit(
                "service/store/cursors.py",
                ".where(*_is(key), col(CursorRow.position) == old)\n",
                ".where(*_is(key))\n",
            ),
        ),
        "tests/workers/test_engine.py::test_what_an_overtaken_engine_made_is_not_written",
    ),
    Fault(
        "a correction counted as gained or deleted",
        (
            Edit(
                "service/domain/takes.py",
                "steps.append(Step(post, total, post.total_frames - total, post.stands_frames - post.total_frames))",
                "steps.append(Step(post, total, post.stands_frames - total, 0))",
            ),
        ),
        "tests/workers/test_corrections.py::test_totals_40_52_52_49_hold_49_and_a_correction_is_no_deletion",
    ),
    Fault(
        "a correction that revises no day that has closed",
        (Edit("workers/builtin/nightly.py", "        EventKind.FRAMES_CORRECTED,\n", ""),),
        "tests/workers/test_corrections.py::test_a_wrong_shot_day_moved_is_right_in_every_report",
    ),
    Fault(
        "a late count that does not follow those that were moved",
        (Edit("service/domain/corrections.py", "return same and mark is not None and serial <= mark", "return False"),),
        "tests/actions/test_corrections.py::test_no_order_of_resends_and_older_counts_undoes_a_correction",
    ),
    Fault(
        "an emptied take that stands in",
        (Edit("service/actions/sheets.py", " if track.row.moved_at is None]", "]"),),
        "tests/api/test_corrections.py::test_a_take_whose_counts_were_moved_no_longer_stands_in",
    ),
    Fault(
        "a revision for figures that older reports do not have",
        (
            Edit("workers/builtin/nightly.py", "not says_the_same(filed, figures):", "filed != figures:"),
            Edit(
                "service/store/reports.py",
                "says_the_same(before.figures, filing.figures))",
                "before.figures == filing.figures)",
            ),
        ),
        "tests/workers/test_corrections.py::test_a_report_of_the_time_before_corrections_is_revised_only_when_something_changes",
    ),
    Fault(
        "a count is late by its capture, not by when it came",
        (
            Edit(
                "service/store/days.py",
                "if row.received_at >= asked.terms.closes_at:",
                "if row.captured_at >= asked.terms.closes_at:",
            ),
        ),
        "tests/workers/test_nightly.py::test_late_counts_make_a_second_revision_and_leave_the_first_readable",
    ),
    Fault(
        "a journal that leaves out the day itself",
        (
            Edit(
                "service/store/standings.py",
                "col(rows.changed_on) <= asked.terms.day)",
                "col(rows.changed_on) < asked.terms.day)",
            ),
        ),
        "tests/workers/test_nightly.py::test_the_day_that_closed_is_filed_at_the_studios_hour",
    ),
    Fault(
        "plans as they stand now for plans as they stood then",
        (
            Edit(
                "service/store/standings.py",
                "event.at >= asked.terms.closes_at:",
                "event.at >= asked.terms.closes_at and False:",
            ),
        ),
        "tests/workers/test_nightly.py::test_decisions_and_new_plans_revise_no_day_that_has_closed",
    ),
    Fault(
        "no second look at a day that was filed",
        (
            Edit(
                "workers/builtin/nightly.py",
                "desk.look_at_filed([event for event in batch if event.kind == EventKind.REPORT_FILED])",
                "",
            ),
        ),
        "tests/workers/test_nightly.py::test_a_count_that_comes_while_the_report_is_made_is_not_lost",
    ),
    Fault(
        "a report of older facts in the place of a newer one",
        (Edit("service/store/reports.py", "before.position >= filing.position or ", ""),),
        "tests/store/test_reports.py::test_older_facts_never_follow_newer_ones",
    ),
    Fault(
        "a report filed without a lock on its production",
        (Edit("service/store/reports.py", "locked(statement, lock=True)", "locked(statement, lock=False)"),),
        "tests/store/test_reports.py::test_who_files_a_day_while_another_does_sees_what_the_other_filed",
        "postgresql",
    ),
    Fault(
        "animators named to whoever may read",
        (
            Edit(
                "service/api/reports.py",
                "if shown.names or group.scope is not Grouping.ANIMATOR:",
                "if group.figures:",
            ),
        ),
        "tests/api/test_reports.py::test_animators_are_named_to_keys_that_cover_coordinate_alone",
    ),
    Fault(
        "BEGIN for BEGIN IMMEDIATE",
        (Edit("service/store/engine.py", 'begin="BEGIN IMMEDIATE"', 'begin="BEGIN"'),),
        "tests/store/test_sqlite_file.py::test_a_writer_keeps_out_even_programs_that_know_no_turnstile",
    ),
    Fault(
        "no turnstile before the writers",
        (
            Edit(
                "service/store/engine.py",
                "return nullcontext() if self._turnstile is None else",
                "return nullcontext() if self._process_id else",
            ),
        ),
        "tests/store/test_turnstile.py::test_a_database_writes_only_in_its_turn",
    ),
    Fault(
        "the answer before the commit",
        (
            Edit(
                "service/api/doors.py",
                "        with self.database.writing() as session:\n",
                "        import contextlib, threading\n"
                "        late = contextlib.ExitStack()\n"
                "        session = late.enter_context(self.database.writing())\n"
                "        threading.Timer(3, late.close).start()\n"
                "        with contextlib.nullcontext():\n",
            ),
        ),
        "tests/api/test_counts.py::test_no_count_is_answered_as_kept_where_its_commit_fails",
    ),
    Fault(
        "no AUTOINCREMENT",
        (
            Edit(
                "migrations/versions/0001_plan_ledger_log_figures.py",
                'name=op.f("ck_production_rate")),\n        sqlite_autoincrement=True,\n',
                'name=op.f("ck_production_rate")),\n',
            ),
        ),
        "tests/store/test_schema.py::test_no_id_is_ever_handed_out_twice",
    ),
    Fault(
        "a sum of totals for the union of frames",
        (
            Edit(
                "service/domain/progress.py",
                "        credited_frames=len(credited),\n",
                "        credited_frames=sum(len(each.all) for each in groups.values()),\n",
            ),
        ),
        "tests/domain/test_progress.py::test_a_shot_split_over_two_stages_counts_the_join_once",
    ),
    Fault(
        "clock order for serial order within a spool",
        (
            Edit(
                "service/domain/takes.py",
                "head.serial >= post.serial",
                "head.captured_at >= post.captured_at",
            ),
        ),
        "tests/domain/test_takes.py::test_within_a_spool_the_serial_orders_whatever_the_clock_shows",
    ),
    Fault(
        "synchronous=OFF",
        (Edit("service/store/engine.py", "PRAGMA synchronous=FULL", "PRAGMA synchronous=OFF"),),
        "tests/store/test_sqlite_file.py::test_every_connection_syncs_and_checks_references",
        refused="service.store.engine.Unsynced",
    ),
    Fault(
        "synchronous=OFF, and nobody reads it back",
        (
            Edit("service/store/engine.py", "PRAGMA synchronous=FULL", "PRAGMA synchronous=OFF"),
            Edit("service/store/engine.py", "    if found != SYNCHRONOUS_FULL:\n", "    if found is None:\n"),
        ),
        "tests/store/test_sqlite_file.py::test_every_commit_of_the_writer_is_synced_to_the_disk",
    ),
    Fault(
        "an import rule broken",
        (
            Edit(
                "service/domain/frames.py",
                "from dataclasses import dataclass\n",
                "from dataclasses import dataclass\nimport sqlalchemy\n",
            ),
        ),
        "tests/test_house.py::test_every_import_rule_is_kept",
    ),
    Fault(
        "no lock on the shot that is counted",
        (
            Edit(
                "service/store/takes.py",
                "statement.with_for_update(key_share=True).execution_options(populate_existing=True)",
                "statement.execution_options(populate_existing=True)",
            ),
        ),
        "tests/actions/test_counts.py::"
        "test_two_terminals_that_count_one_shot_at_the_same_moment_are_counted_one_after_the_other",
        "postgresql",
    ),
    Fault(
        "no look for a shot that arrived meanwhile",
        (Edit("service/actions/counts.py", "        self._require_still_unknown()\n", ""),),
        "tests/api/test_shots.py::TestArrival::test_a_count_posted_at_the_moment_its_shot_arrives_counts",
        "postgresql",
    ),
    Fault(
        "credited frames change without an entry in the journal",
        (
            Edit(
                "service/actions/sheets.py",
                "        self._credit[shot_id, cause] = self._credit.get((shot_id, cause), 0) + credited\n",
                "        self._credit[shot_id, cause] = self._credit.get((shot_id, cause), 0) + max(credited, 0)\n",
            ),
        ),
        "tests/actions/test_counts.py::test_whatever_is_posted_decided_and_planned_"
        "the_figures_are_the_models_and_the_journal_adds_up_to_them",
    ),
    Fault(
        "a try counted after it ran",
        (
            Edit(
                "workers/engine.py",
                "attempts = cursor.attempts if again else cursor.attempts + 1\n",
                "attempts = cursor.attempts\n",
            ),
        ),
        "tests/workers/test_engine.py::test_attempts_are_counted_before_the_worker_runs",
    ),
    Fault(
        "an event set aside a try too late",
        (
            Edit(
                "workers/engine.py",
                "if len(pending) == 1 and cursor.attempts >= self.settings.quarantine_after:\n",
                "if len(pending) == 1 and cursor.attempts > self.settings.quarantine_after:\n",
            ),
        ),
        "tests/workers/test_engine.py::test_one_event_that_cannot_be_digested_is_set_aside_and_the_rest_handled",
    ),
    Fault(
        "rows begun while the log is cleaned",
        (Edit("service/store/editions.py", "    retention.hold(session)\n", ""),),
        "tests/store/test_locks.py::test_rival_waits_for_what_is_locked[cleaning]",
        "postgresql",
    ),
    Fault(
        "rows made anew shown before they have caught up",
        (
            Edit(
                "service/store/editions.py",
                "        if position < reached[part.name]:\n            return None\n",
                "",
            ),
        ),
        "tests/workers/test_editions.py::test_a_worker_that_makes_no_rows_from_facts_reads_the_log_from_its_beginning",
    ),
    Fault(
        "an event that waits behind another passed over by one that fails after it",
        (
            Edit(
                "workers/engine.py",
                "            return self._failed(claimed, batch, failure)\n",
                "            return self._failed(claimed, free, failure)\n",
            ),
        ),
        "tests/workers/test_partitions.py::test_an_event_that_waits_is_not_passed_over_by_one_that_fails_after_it",
    ),
    Fault(
        "a turn for the productions in the same order each time",
        (
            Edit(
                "service/store/partitions.py",
                "    return sorted(_behind(among, by_partition(session, worker, edition), again), key=_untouched)\n",
                "    return list(_behind(among, by_partition(session, worker, edition), again))\n",
            ),
        ),
        "tests/workers/test_partitions.py::test_each_part_that_is_behind_is_told_of_the_longest_untouched_first",
    ),
    Fault(
        "a minimum of totals for the frames two cameras share",
        (
            Edit(
                "service/domain/progress.py",
                "    credited = common(planned, (each.all for each in required.values()))\n",
                "    credited = min((each.all for each in required.values()), key=len)\n",
            ),
        ),
        "tests/domain/test_progress.py::test_two_cameras_at_different_ends_share_four_frames",
    ),
    Fault(
        name="a cut is locked whatever cut stands",
        edits=(Edit("service/actions/cuts.py", "    check()\n    if row.locked_by", "    if row.locked_by"),),
        test="tests/api/test_cuts.py::TestLock::test_of_two_that_lock_at_once_one_is_told_of_the_other",
    ),
    Fault(
        name="a re-cut takes no account of the source side",
        edits=(Edit("service/domain/cuts.py", "    told = None if reel in untold else reel\n", "    told = None\n"),),
        test="tests/domain/test_cuts.py::TestNumbers::"
        "test_a_frame_of_the_reel_is_the_same_frame_of_the_shot_in_every_cut",
    ),
    Fault(
        name="the journal of planned frames misses what a cut changes",
        edits=(
            Edit(
                "service/actions/sheets.py",
                "self._planned[shot_id, cause] = self._planned.get((shot_id, cause), 0) + planned",
                "self._planned[shot_id, cause] = self._planned.get((shot_id, cause), 0)",
            ),
        ),
        test="tests/api/test_shots.py::TestChanging::test_recut_at_the_tail_leaves_an_overshoot",
    ),
    Fault(
        "a spool that does not wait for the disk",
        (Edit("service/terminal/spool.py", '"PRAGMA synchronous = EXTRA"', '"PRAGMA synchronous = OFF"'),),
        "tests/terminal/test_spool.py::test_every_entry_is_on_the_disk_before_it_is_called_kept",
    ),
    Fault(
        "a count called kept before it is",
        (
            Edit(
                "service/terminal/spool.py",
                "        with self._writing(NotKept):\n            return [self._enter(each, now) for each in said]\n",
                "        if not self._database.in_transaction:\n"
                "            self._database.execute('BEGIN IMMEDIATE')\n"
                "        return [self._enter(each, now) for each in said]\n",
            ),
            Edit(
                "service/terminal/spool.py",
                '            self._database.execute("BEGIN IMMEDIATE")\n            try:\n',
                "            if not self._database.in_transaction:\n"
                "                self._database.execute('BEGIN IMMEDIATE')\n"
                "            try:\n",
            ),
        ),
        "tests/terminal/test_spool.py::test_every_entry_is_on_the_disk_before_it_is_called_kept",
    ),
    Fault(
        "a terminal that does not notice a service put back to an earlier copy",
        (Edit("service/terminal/sending.py", "if known.counts < self._spool.confirmed or", "if known.counts < 0 and"),),
        "tests/journeys/test_terminal.py::test_a_service_put_back_to_yesterdays_copy_gets_the_day_again",
    ),
    Fault(
        "a rejected count sent again as the newest",
        (
            Edit(
                "service/terminal/spool.py",
                "\"UPDATE entry SET state = 'waiting', reason = NULL, settled_at = NULL, content = ?,\"\n",
                "\"UPDATE entry SET state = 'waiting', reason = NULL, settled_at = NULL, content = ?,\"\n"
                '                " serial = 1 + (SELECT max(serial) FROM entry),"\n',
            ),
        ),
        "tests/terminal/test_spool.py::test_a_rejected_entry_waits_again_in_its_place",
    ),
    Fault(
        "a share that is away taken for deleted frames",
        (Edit("service/terminal/following.py", "and found.folders <= look.folders", ""),),
        "tests/terminal/test_following.py::test_a_take_whose_folder_is_gone_was_moved_not_deleted",
    ),
    Fault(
        "a large body read before its turn",
        (Edit("service/api/turns.py", "not LARGE_BYTES < announced <= self.limit_bytes", "announced >= 0"),),
        "tests/api/test_turns.py::test_turns_are_granted_first_come_first_served_and_no_more_bodies_are_read",
    ),
    Fault(
        "who was asked to come again goes behind whoever came after",
        (Edit("service/api/turns.py", "        if until_s >= self._clock():\n", "        if until_s < 0:\n"),),
        "tests/api/test_turns.py::test_who_was_asked_to_come_again_goes_before_whoever_came_after",
    ),
    Fault(
        "a turn lost with whoever went away as it was granted",
        (
            Edit(
                "service/api/turns.py", "self._waiting.pop(place, None) is None", "self._waiting.pop(place, 0) is None"
            ),
        ),
        "tests/api/test_turns.py::test_who_waits_and_goes_away_costs_nobody_a_turn",
    ),
    Fault(
        "a body that was half kept called not kept",
        (
            Edit(
                "service/api/counts.py",
                "        except Busy as error:\n",
                "        except ZeroDivisionError as error:\n",
            ),
        ),
        "tests/api/test_counts.py::test_a_body_whose_later_counts_cannot_be_written_says_how_many_are_kept",
    ),
    Fault(
        "needs of a table entered without the shots' locks",
        (
            Edit(
                "service/actions/needs_drafts.py",
                "    takes.locked_shots(session, [ids[line.shot] for line in lines])\n",
                "    takes.plans(session, [])\n",
            ),
        ),
        "tests/api/test_needs_drafts.py::"
        "test_whoever_enters_waits_for_a_change_that_is_under_way_and_is_told_of_it[apply]",
        "postgresql",
    ),
    Fault(
        "a count takes the serial of a line of the log",
        (
            Edit(
                "service/store/counts.py",
                ".where(col(StageLogRow.terminal_id) == terminal_id, col(StageLogRow.spool) == spool)\n",
                ".where(col(StageLogRow.terminal_id) == -1, col(StageLogRow.spool) == spool)\n",
            ),
        ),
        "tests/api/test_shifts.py::test_lines_and_counts_of_a_spool_have_one_numbering",
    ),
    Fault(
        "a wait that ends the working day",
        (
            Edit(
                "service/domain/shifts.py",
                "_in_order(entry for entry in log if entry[1] in DAY_SIGNALS)",
                "_in_order(entry for entry in log)",
            ),
            Edit("service/store/shifts.py", "        col(StageLogRow.kind).in_(DAY_KINDS),\n", ""),
        ),
        "tests/api/test_shifts.py::test_only_call_and_wrap_decide_production_days",
    ),
    Fault(
        "another line of the log taken for the one of its serial",
        (Edit("service/actions/shifts.py", "    if known.digest != line.digest:\n", "    if not known.digest:\n"),),
        "tests/api/test_shifts.py::test_another_line_under_the_same_serial_is_refused",
    ),
    Fault(
        "a shot moved without its lock",
        (
            Edit(
                "service/api/moves.py",
                "row = shots.find(session, of, shot, lock=True)",
                "row = shots.find(session, of, shot)",
            ),
        ),
        "tests/api/test_moves.py::test_whoever_moves_waits_for_a_change_that_is_under_way_and_is_told_of_it",
        "postgresql",
    ),
    Fault(
        "frames shot again taken for those that were approved",
        (
            Edit(
                "service/domain/bases.py", "captured, depth = again, depth + 1", "captured, depth = NOTHING, depth + 1"
            ),
        ),
        "tests/api/test_moves.py::test_frames_deleted_and_shot_again_after_approval_are_other_frames",
    ),
    Fault(
        "counts that came after an approval not looked at",
        (Edit("service/domain/bases.py", "LEAVE_AS_IT_IS = frozenset(", "LEAVE_AS_IT_IS = frozenset(EventKind) | ("),),
        "tests/api/test_moves.py::test_a_count_after_approval_is_kept_and_the_shot_is_approved_and_changed",
    ),
    Fault(
        "an approval passed over by an override",
        (
            Edit(
                "service/domain/phases.py",
                "FIRM = frozenset({*ALWAYS, Fact.APPROVAL_SIGNED})",
                "FIRM = frozenset(ALWAYS)",
            ),
        ),
        "tests/api/test_moves.py::test_no_override_passes_over_a_suspension_or_an_approval",
    ),
    Fault(
        "needs of a shot entered without its lock",
        (
            Edit(
                "service/api/needs.py",
                "shots.find(session, of, shot, lock=True)",
                "shots.find(session, of, shot)",
            ),
        ),
        "tests/api/test_needs_drafts.py::"
        "test_whoever_enters_waits_for_a_change_that_is_under_way_and_is_told_of_it[put]",
        "postgresql",
    ),
    Fault(
        "no try written down before it is made",
        (
            Edit(
                "service/store/deliveries.py",
                "    session.add(DeliveryAttemptRow(delivery_id=row.id or 0, number=number, begun_at=now))\n",
                "",
            ),
        ),
        "tests/workers/test_deliveries.py::test_a_try_is_written_down_before_it_is_made",
    ),
    Fault(
        "messages to a watch in no order",
        (Edit("service/store/deliveries.py", ".group_by(*lanes)", ".group_by(*lanes, col(DeliveryRow.id))"),),
        "tests/workers/test_deliveries.py"
        "::test_a_receiver_that_is_down_for_two_days_gets_it_when_somebody_asks_and_what_waited_in_its_order",
    ),
    Fault(
        "no compare-and-set where a try is settled",
        (
            Edit(
                "service/store/deliveries.py",
                "            col(DeliveryRow.lease_owner) == owner,\n            col(DeliveryRow.attempts) == tries,\n",
                "",
            ),
        ),
        "tests/workers/test_deliveries.py::test_who_was_thought_dead_settles_nothing",
    ),
)


def copy(to: Path) -> None:
    """Copy the tree. What was compiled stays behind, so that nothing of another state of a source can come along."""
    for name in OURS:
        shutil.copytree(HOUSE / name, to / name, ignore=shutil.ignore_patterns("*.db*", "__pycache__"))
    shutil.copy(HOUSE / "pyproject.toml", to)


@contextmanager
def planted(sound: Path, fault: Fault) -> Iterator[Run]:
    """The run of a fault's test in a copy with its edits made; the copy is gone at the end of the block."""
    with tempfile.TemporaryDirectory(prefix="fault-", dir=sound.parent) as folder:
        tree = Path(folder)
        for name in (*OURS, "pyproject.toml"):
            source = sound / name
            if source.is_dir():
                shutil.copytree(source, tree / name, copy_function=os.link)
            else:
                os.link(source, tree / name)
        for edit in fault.edits:
            edit.apply(tree)
        yield Run(tree=tree, tests=(fault.test,), database=fault.database, limit_s=LIMIT_S)


@contextmanager
def unplanted(sound: Path, database: str, tests: Sequence[str]) -> Iterator[Run]:
    """The run of named tests in the copy without a fault."""
    yield Run(tree=sound, tests=tuple(tests), database=database, limit_s=SOUND_LIMIT_S, compiles=True)


def noticed(fault: Fault, ran: Ran) -> str | None:
    """None where the fault's test failed for it, else what is wrong."""
    if ran.verdict is Verdict.ERROR and fault.refused and fault.refused in ran.said:
        return None
    return None if ran.verdict is Verdict.FAILED else f"{ran.verdict}: {fault.test}\n{ran.said}"


def by_database() -> dict[str, set[str]]:
    """All named tests by the database they are run on."""
    tests: dict[str, set[str]] = defaultdict(set)
    for fault in FAULTS:
        tests[fault.database].add(fault.test)
    return tests


def say(line: str) -> None:
    """One line of the report."""
    print(line, flush=True)  # noqa: T201 -- a script that reports


def plant_all(sound: Path, took_s: dict[str, float]) -> int:
    """Plant each fault; how many went unnoticed. Those whose tests take long begin first."""
    faults = sorted(FAULTS, key=lambda fault: -took_s[fault.test])
    found: dict[str, str | None] = {}
    for place, ran in each_of([partial(planted, sound, fault) for fault in faults], at_once=AT_ONCE):
        found[faults[place].name] = noticed(faults[place], ran)
    for fault in FAULTS:
        wrong = found[fault.name]
        say(f"{'noticed' if wrong is None else 'NOT NOTICED'}: {fault.name}\n    {wrong or fault.test}")
    return sum(wrong is not None for wrong in found.values())


def main() -> int:
    """Plant each fault; the exit code is how many went unnoticed, and 1 where a named test fails without one."""
    began = time.monotonic()
    # Some packages behave otherwise there, and decide that when they are loaded.
    os.environ["CI"] = "true"
    with tempfile.TemporaryDirectory(prefix="tiedown-faults-") as folder:
        sound = Path(folder) / "sound"
        sound.mkdir()
        copy(sound)
        took_s: dict[str, float] = {}
        modules: dict[str, None] = {}
        well = True
        checks = [partial(unplanted, sound, database, sorted(named)) for database, named in by_database().items()]
        for _, ran in each_of(checks, at_once=AT_ONCE):
            took_s.update(ran.took_s)
            modules.update(dict.fromkeys(ran.modules))
            if ran.verdict is not Verdict.PASSED:
                say(f"without any fault: {ran.verdict}\n{ran.said}")
                well = False
        if not well:
            return 1
        preload(list(modules))
        checked_s = time.monotonic() - began
        unnoticed = plant_all(sound, took_s)
    say(f"{len(FAULTS)} faults planted, {unnoticed} unnoticed, in {time.monotonic() - began:.0f} s")
    say(f"{checked_s:.0f} s of them went by for the named tests without a fault")
    return min(unnoticed, 100)


if __name__ == "__main__":
    sys.exit(main())
