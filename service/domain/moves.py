"""Moves: what a shot still lacks for each, said so that somebody can go and do it.

Everything here is judged from facts, never from the figures a worker made of them.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

from service.domain.bases import Basis, changed_since, made_since
from service.domain.frames import FrameSet
from service.domain.needs import Needs
from service.domain.phases import ALWAYS, FIRM, MOVES, Fact, Move, Phase, is_back, rests_on, way, ways_back, ways_on
from service.domain.progress import ShotFacts, judged, tracks_of
from service.domain.shots import Plan
from service.domain.signoffs import Matter, Role, Signature, SignOff
from service.domain.takes import Purpose, SeriesState


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A shot as its moves are judged by it.

    `phase` is where it is, `in_locked_cut` whether a locked cut shows it, `animator` who is named, None where nobody
    is; `facts` what its figures rest on. `suspended` is why it is suspended, None where it is not; `needs` is None
    until they are entered; `signed` are the sign-offs in force; `basis` is what a comp or an approval would rest on
    now, None where neither was ever given.
    """

    phase: Phase
    suspended: str | None
    in_locked_cut: bool
    animator: str | None
    needs: Needs | None
    facts: ShotFacts
    signed: Mapping[Signature, SignOff]
    basis: Basis | None


Check = Callable[[Standing], str | None]


@dataclass(frozen=True, slots=True)
class Lack:
    """A fact that does not hold: what is missing of it, in a sentence that says what to do."""

    fact: Fact
    detail: str

    @property
    def may_be_overridden(self) -> bool:
        """Whether a coordinator may move the shot without it."""
        return self.fact not in FIRM


@dataclass(frozen=True, slots=True)
class Step:
    """A move a shot could make, and everything it still lacks for it."""

    to: Phase
    back: bool
    lacks: tuple[Lack, ...]


def steps(standing: Standing) -> tuple[Step, ...]:
    """Every move from where a shot stands: on, then back, the nearest first."""
    on = (_step(standing, move) for move in ways_on(standing.phase))
    back = (_step(standing, Move(standing.phase, to, ())) for to in ways_back(standing.phase))
    return (*on, *back)


def step(standing: Standing, to: Phase) -> Step | None:
    """The move to a phase; None where no way leads there from where the shot stands."""
    move = way(standing.phase, to)
    return None if move is None else _step(standing, move)


def next_step(standing: Standing) -> Step | None:
    """The way on that the shot's needs ask for, and of those the one that lacks least; None of an approved shot."""
    on = [each for each in steps(standing) if not each.back]
    routes = {Fact.PLATE_ASKED_FOR, Fact.COMP_ASKED_FOR, Fact.NO_COMP_ASKED_FOR}
    meant = [each for each in on if not any(lack.fact in routes for lack in each.lacks)]
    return min(meant or on, key=lambda each: len(each.lacks), default=None)


def no_longer(standing: Standing) -> tuple[Lack, ...]:
    """What the shot's phase rests on and does not hold any more, as a sign-off withdrawn or frames deleted.

    Nothing of an omitted shot: nobody can do anything about it before the shot is restored.
    """
    return () if standing.facts.plan.omitted else _lacks(standing, rests_on(standing.phase))


def _step(standing: Standing, move: Move) -> Step:
    return Step(move.to, is_back(move), _lacks(standing, (*ALWAYS, *move.needs)))


def _lacks(standing: Standing, needs: Iterable[Fact]) -> tuple[Lack, ...]:
    found = ((fact, lacking(fact, standing)) for fact in needs)
    return tuple(Lack(fact, detail) for fact, detail in found if detail is not None)


def lacking(fact: Fact, standing: Standing) -> str | None:
    """What is missing of a fact, in a sentence; None where it holds."""
    return CHECKS[fact](standing)


def _omitted(standing: Standing) -> str | None:
    return "The shot is omitted: restore it first." if standing.facts.plan.omitted else None


def _suspended(standing: Standing) -> str | None:
    return f"The shot is suspended ({standing.suspended}): resume it first." if standing.suspended else None


def _uncut(standing: Standing) -> str | None:
    return None if standing.in_locked_cut else "No locked cut of its episode shows the shot: lock a list that does."


def _unneeded(standing: Standing) -> str | None:
    return (
        None
        if standing.needs
        else "Nobody has entered what the shot needs (set, rig, plate, comp, dialogue): enter it."
    )


def _unnamed(standing: Standing) -> str | None:
    return None if standing.animator else "Nobody is named to animate the shot: name its `animator`."


def _silent(standing: Standing) -> str | None:
    speaks = standing.needs is not None and standing.needs.dialogue
    return _unsigned(standing, matter=Matter.DIALOGUE_CUT_IN, role=Role.EDITOR) if speaks else None


def _no_plate(standing: Standing) -> str | None:
    # Before needs are entered no way is known to be the wrong one; that they are missing is a fact of its own.
    wanted = standing.needs is None or standing.needs.plate_needed
    return None if wanted else "Its needs ask for neither rig nor plate: enter one, or go on without."


def _no_comp(standing: Standing) -> str | None:
    wanted = standing.needs is None or standing.needs.comp_needed
    return None if wanted else "Its needs ask for no rig, plate or comp: enter one, or go to approval."


def _comp(standing: Standing) -> str | None:
    wanted = standing.needs is not None and standing.needs.comp_needed
    return "Its needs ask for a comp, so it goes through compositing." if wanted else None


def _signed(matter: Matter, role: Role) -> Check:
    return partial(_unsigned, matter=matter, role=role)


def _unsigned(standing: Standing, *, matter: Matter, role: Role) -> str | None:
    return None if (matter, role) in standing.signed else f"No {role} has signed off: {matter}."


def unshot(standing: Standing) -> str | None:
    """Which planned frames nobody has shot yet, in a sentence; None where there are none."""
    facts = standing.facts
    missing = {name: facts.plan.planned_set - held.all for name, held in tracks_of(facts).items()}
    return _told(missing, "not shot yet", facts)


def _undecided(standing: Standing) -> str | None:
    facts = standing.facts
    held = tracks_of(facts)
    missing = {name: facts.plan.planned_set - each.all for name, each in held.items()}
    waiting = {name: facts.plan.planned_set & each.stand_in for name, each in held.items()}
    said = [_told(missing, "not shot yet", facts), _told(waiting, "shot, and nobody has accepted them", facts)]
    return " ".join(each for each in said if each) or None


def _told(missing: Mapping[tuple[str, str], FrameSet], what: str, facts: ShotFacts) -> str | None:
    alone = len(missing) == 1
    said = [
        f"{_count(here)} of {len(facts.plan.planned_set)} ({ranges(here)})"
        + ("" if alone else f" on camera {camera}, pass {pass_}")
        for (camera, pass_), here in missing.items()
        if here
    ]
    return f"{'; '.join(said)}: {what}." if said else None


def _count(here: FrameSet) -> str:
    return "1 frame" if len(here) == 1 else f"{len(here)} frames"


def ranges(here: FrameSet) -> str:
    """A set of frames as it is written: 1–44, 57."""
    return ", ".join(str(first) if first == last else f"{first}–{last}" for first, last in here.ranges)


def _plate_short(standing: Standing) -> str | None:
    if standing.needs is None or not standing.needs.plate_needed:
        return None
    facts = standing.facts
    said = [detail for camera in facts.plan.cameras if (detail := _plate_of(facts, camera))]
    return " ".join(said) or None


def _plate_of(facts: ShotFacts, camera: str) -> str | None:
    """What is missing of a camera's plate: all planned frames where the camera moves, else the studio's minimum."""
    here = FrameSet.union(_plates(facts, camera))
    on = "" if len(facts.plan.cameras) == 1 else f" on camera {camera}"
    if facts.plan.moving_camera:
        missing = facts.plan.planned_set - here
        plate = f"The camera moves, so the plate{on} is as long as the shot"
        return f"{plate}: {_count(missing)} ({ranges(missing)}) not shot yet." if missing else None
    short = facts.plate_minimum_frames - len(here)
    return (
        f"The plate{on} has {len(here)} of {facts.plate_minimum_frames} frames: shoot {short} more."
        if short > 0
        else None
    )


def _plates(facts: ShotFacts, camera: str) -> Iterator[FrameSet]:
    for each in facts.series:
        if each.purpose is Purpose.PLATE and each.camera == camera and each.state is not SeriesState.ABANDONED:
            verdict = judged(facts.decisions.get((each.part, each.purpose, each.take), ()), camera)
            yield each.live - verdict.rejected


def _plate_undecided(standing: Standing) -> str | None:
    wanted = standing.needs is not None and standing.needs.plate_needed
    return _unsigned(standing, matter=Matter.PLATE_ACCEPTED, role=Role.CAMERA_OPERATOR) if wanted else None


def _comp_missing(standing: Standing) -> str | None:
    if standing.needs is not None and not standing.needs.comp_needed:
        return None
    if (Matter.COMP_DELIVERED, Role.COMPOSITOR) not in standing.signed:
        return "No compositor has delivered a comp yet."
    said = comp_outdated(standing)
    return f"The comp is out of date, deliver it anew: {'; '.join(said)}." if said else None


def comp_outdated(standing: Standing) -> tuple[str, ...]:
    """What the comp that stands does not show, each in a sentence; empty where it shows all, or none stands."""
    comp = standing.signed.get((Matter.COMP_DELIVERED, Role.COMPOSITOR))
    if comp is None or comp.basis is None or standing.basis is None:
        return ()
    return made_since(comp.basis, standing.basis)


def replanned(standing: Standing, plan: Plan) -> Standing:
    """How the shot would stand under another plan of the same cameras and passes."""
    basis = None if standing.basis is None else standing.basis.under(plan)
    return replace(standing, facts=replace(standing.facts, plan=plan), basis=basis)


def approval_changed(standing: Standing) -> tuple[str, ...]:
    """What changed since the approval that stands, each in a sentence; empty where nothing did or none stands."""
    approval = standing.signed.get((Matter.APPROVAL, Role.DIRECTOR))
    if approval is None or approval.basis is None or standing.basis is None:
        return ()
    return changed_since(approval.basis, standing.basis)


def _approval_missing(standing: Standing) -> str | None:
    if (Matter.APPROVAL, Role.DIRECTOR) not in standing.signed:
        return "No director has approved it."
    said = approval_changed(standing)
    return (
        f"It has changed since it was approved, approve it anew or take it back: {'; '.join(said)}." if said else None
    )


CHECKS: Mapping[Fact, Check] = {
    Fact.NOT_OMITTED: _omitted,
    Fact.NOT_SUSPENDED: _suspended,
    Fact.IN_LOCKED_CUT: _uncut,
    Fact.NEEDS_ENTERED: _unneeded,
    Fact.SET_APPROVED: _signed(Matter.SET_APPROVED, Role.DIRECTOR),
    Fact.FRAMING_APPROVED_BY_DIRECTOR: _signed(Matter.FRAMING_APPROVED, Role.DIRECTOR),
    Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR: _signed(Matter.FRAMING_APPROVED, Role.CAMERA_OPERATOR),
    Fact.ANIMATOR_NAMED: _unnamed,
    Fact.DIALOGUE_CUT_IN: _silent,
    Fact.FRAMES_SHOT: unshot,
    Fact.FRAMES_ACCEPTED: _undecided,
    Fact.PLATE_ASKED_FOR: _no_plate,
    Fact.PLATE_SHOT: _plate_short,
    Fact.PLATE_ACCEPTED: _plate_undecided,
    Fact.COMP_ASKED_FOR: _no_comp,
    Fact.NO_COMP_ASKED_FOR: _comp,
    Fact.COMP_DELIVERED: _comp_missing,
    Fact.APPROVAL_SIGNED: _approval_missing,
}
"""How each fact is judged: what is missing of it, in a sentence, or None."""


def blocked_by(standing: Standing) -> tuple[Lack, ...]:
    """What keeps a shot from its next phase; nothing of an approved or an omitted one."""
    ahead = next_step(standing)
    return () if ahead is None or standing.facts.plan.omitted else ahead.lacks


def approval_lacks(standing: Standing) -> tuple[Lack, ...]:
    """What an approved shot waits for that its approval does not stand for any more; nothing where it stands."""
    ways = [move for move in MOVES if move.to is Phase.APPROVED]
    lacks = _lacks(standing, dict.fromkeys(fact for move in ways for fact in move.needs))
    return lacks if any(lack.fact is Fact.APPROVAL_SIGNED for lack in lacks) else ()


def unapprovable(standing: Standing, *, aside: Collection[Fact]) -> tuple[Lack, ...]:
    """What keeps a shot that is approved from being approved anew, but for what was set aside when it came there."""
    needs = dict.fromkeys(fact for move in MOVES if move.to is Phase.APPROVED for fact in move.needs)
    return _lacks(standing, [fact for fact in needs if fact is not Fact.APPROVAL_SIGNED and fact not in aside])


def overridden(lacks: Collection[Lack]) -> tuple[tuple[Lack, ...], tuple[Lack, ...]]:
    """What an override sets aside of what is lacking, and what it does not."""
    return (
        tuple(lack for lack in lacks if lack.may_be_overridden),
        tuple(lack for lack in lacks if not lack.may_be_overridden),
    )
