"""The little world of the demo: an invented production, its shots, and the stages that shoot them.

Pell, a mouse who mends lamps, lives in a teapot by the sea; each tide brings buttons. Nobody and nothing in it is real.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum, auto
from importlib import resources
from typing import Any

STUDIO = {"name": "Thimble Yard", "time_zone": "Europe/Lisbon", "day_starts_at": "05:00", "plate_minimum_frames": 25}
PRODUCTION = {"code": "buttontide", "title": "Pell and the Button Tide", "frame_rate": "25/1"}
EPISODES = {"e1": "The Teapot Leaks", "e2": "Low Water on Button Street"}
# What the second day's lists take off: from the shot with the habit, frames at its tail or its head.
TRIMMED_FRAMES, BEHEADED_FRAMES = 12, 8


class Habit(StrEnum):
    """What is out of the ordinary about the way a shot is shot."""

    ABANDONED = auto()
    """Take 1 is given up halfway."""
    TRIMMED = auto()
    """Finished on day one; the cut then takes frames off its tail, and its plate is shot the next morning."""
    BEHEADED = auto()
    """Finished on day one; the cut then takes frames off its head."""
    DELETING = auto()
    """Frames are deleted and shot again."""
    LATE = auto()
    """Counted before any cut has the shot."""
    DROPPED = auto()
    """In the first cut, and in the next no more."""
    MIXED = auto()
    """Holds of mixed length, so that the total is posted in frames."""
    PLATED = auto()
    """A plate is shot straight after the shot, lamps still hot."""
    REHEARSED = auto()
    """A rehearsal comes first, which never counts."""
    RETAKEN = auto()
    """Finished on day one; its tail is rejected at the viewing and shot again on day two."""
    TOUCHED_UP = auto()
    """Approved on the evening of day one; the next morning its last frames are deleted and shot again, unasked."""
    TWOS = auto()
    """Every pose is held for two frames."""
    WANTED = auto()
    """The terminal asks to have it circled; this studio leaves that to the viewing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stage and the computer beside it. `clock_fast_min`: by how many minutes that computer's clock is fast."""

    code: str
    name: str
    terminal: str
    animators: tuple[str, str]
    clock_fast_min: int = 0


STAGES = (
    Stage(code="north", name="North hall", terminal="north-grab", animators=("Odrun", "Tansy")),
    Stage(code="south", name="South hall", terminal="south-grab", animators=("Bertil", "Bertil")),
    Stage(code="attic", name="The attic", terminal="attic-grab", animators=("Ysolde", "Pim")),
    Stage(code="boiler", name="Boiler room", terminal="boiler-grab", animators=("Wilmot", "Wilmot")),
    Stage(code="shed", name="The long shed", terminal="shed-grab", animators=("Tansy", "Odrun"), clock_fast_min=70),
    # Shoots in the night after the first day.
    Stage(code="cellar", name="The cellar", terminal="cellar-grab", animators=("Marrow", "Marrow")),
    # Its computer dies on the second morning.
    Stage(code="yard", name="The back yard", terminal="yard-grab", animators=("Juno", "Juno")),
    # A hot set that nobody may touch stands there.
    Stage(code="porch", name="The porch", terminal="porch-grab", animators=("Sorrel", "Sorrel")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A planned shot: lengths in frames, `parts` of a split shot as (part, stage, first frame, last frame)."""

    code: str
    episode: str
    scene: str
    stage: str
    cut_frames: int
    handle_in: int = 0
    handle_out: int = 0
    cameras: tuple[str, ...] = ("main",)
    passes: tuple[str, ...] = ("main",)
    moving_camera: bool = False
    parts: tuple[tuple[str, str, int | None, int | None], ...] = ()
    habits: frozenset[Habit] = frozenset()

    @property
    def first(self) -> int:
        """The first planned frame."""
        return 1 - self.handle_in

    @property
    def last(self) -> int:
        """The last planned frame."""
        return self.cut_frames + self.handle_out

    def plan(self) -> dict[str, Any]:
        """What the office says of it besides the cut."""
        body: dict[str, Any] = {
            "scene": self.scene,
            "handle_in": self.handle_in,
            "handle_out": self.handle_out,
            "cameras": list(self.cameras),
            "passes": list(self.passes),
            "moving_camera": self.moving_camera,
        }
        if not self.parts:
            return body | {"stage": self.stage}
        parts = [
            {
                key: value
                for key, value in zip(("part", "stage", "first", "last"), part, strict=True)
                if value is not None
            }
            for part in self.parts
        ]
        return body | {"parts": parts}


# By episode and scene: the stage it is dressed on, and the cut lengths of its shots in frames.
SCENES = (
    ("e1", "quay", "north", (62, 88, 104, 75, 47, 96)),
    ("e1", "kitchen", "south", (96, 55, 120, 68, 81, 50)),
    ("e1", "stairs", "attic", (70, 112, 44, 93, 60, 77)),
    ("e1", "lamp-room", "boiler", (96, 58, 84, 131, 49, 72)),
    ("e1", "market", "shed", (66, 90, 102, 53, 115, 64)),
    ("e2", "street", "north", (80, 57, 99, 71, 125, 45)),
    ("e2", "bakery", "south", (63, 108, 52, 87, 74, 91)),
    ("e2", "loft", "attic", (118, 65, 48, 79, 101, 56)),
    ("e2", "drain", "boiler", (54, 94, 67, 110, 59, 83)),
    ("e2", "jetty", "shed", (73, 61, 122, 51, 89, 69)),
)

ODD: Mapping[str, Mapping[str, Any]] = {
    "e1-quay-1": {"habits": {Habit.TRIMMED}, "handle_in": 2, "handle_out": 6},
    "e1-quay-2": {"habits": {Habit.PLATED}, "moving_camera": True, "handle_in": 2, "handle_out": 2},
    "e1-quay-3": {"habits": {Habit.TWOS, Habit.DELETING}},
    "e1-quay-6": {
        "parts": (("left", "north", None, 60), ("right", "south", 55, None)),
        "handle_in": 4,
        "handle_out": 4,
    },
    "e1-kitchen-1": {"habits": {Habit.RETAKEN}},
    "e1-kitchen-2": {"habits": {Habit.DELETING}, "handle_out": 4},
    "e1-kitchen-3": {"habits": {Habit.TWOS}},
    "e1-stairs-1": {"habits": {Habit.REHEARSED, Habit.BEHEADED}},
    "e1-stairs-2": {"habits": {Habit.ABANDONED}, "handle_in": 2, "handle_out": 2},
    "e1-stairs-3": {"passes": ("figure", "shadow")},
    "e1-lamp-room-1": {"cameras": ("wide", "close")},
    "e1-lamp-room-2": {"habits": {Habit.PLATED}},
    "e1-lamp-room-3": {"habits": {Habit.WANTED}},
    "e1-market-1": {"habits": {Habit.MIXED}},
    "e1-market-2": {"habits": {Habit.TWOS, Habit.PLATED}, "handle_in": 3, "handle_out": 3},
    "e1-market-3": {"habits": {Habit.ABANDONED}},
    "e1-market-4": {"habits": {Habit.TOUCHED_UP}},
    "e2-street-6": {"habits": {Habit.DROPPED}},
    "e2-jetty-6": {"habits": {Habit.LATE}},
    "e2-street-5": {"stage": "porch"},
    "e2-drain-3": {"stage": "cellar"},
    "e2-drain-4": {"stage": "cellar"},
    "e2-drain-6": {"stage": "yard"},
}


def _shots() -> tuple[Shot, ...]:
    shots = []
    for episode, scene, stage, lengths in SCENES:
        for number, cut_frames in enumerate(lengths, start=1):
            code = f"{episode}-{scene}-{number}"
            odd = dict(ODD.get(code, {}))
            habits = frozenset(odd.pop("habits", ()))
            known = {"code": code, "episode": episode, "scene": scene, "stage": stage, "cut_frames": cut_frames}
            shots.append(Shot(**{**known, **odd}, habits=habits))
    return tuple(shots)


SHOTS = _shots()


ROLES = ("director", "camera operator", "editor", "compositor")
NEEDS = resources.files("workers.demo").joinpath("lists", "needs.csv")
"""What every shot needs, but for a scene nobody has broken down yet and for what comes with the second cut."""
RETAKE_CAUSE, RETAKE_REASON = "light", "the lamp over the stove had slipped"
# Work on it stops in the middle of a take.
SUSPENDED, SUSPENDED_FOR = "e1-lamp-room-1", "the close camera is being mended"
# Put together on the second day: the first in the morning, the second in the evening.
COMPS = ("e1-lamp-room-2", "e1-market-2")
# Made ready for a third day, each as far as it got.
SET_STANDS = frozenset({"e1-quay-5", "e1-kitchen-5", "e1-lamp-room-5", "e1-market-6", "e2-loft-4", "e2-drain-3"})
FRAMED_BY_DIRECTOR = frozenset({"e1-kitchen-5", "e1-lamp-room-5", "e1-market-6", "e2-loft-4"})
FRAMED_BY_OPERATOR = frozenset({"e1-lamp-room-5", "e1-market-6"})


@dataclass(frozen=True, slots=True, kw_only=True)
class CutList:
    """A list the editor sends: the file of the demo it stands in, and how it is to be taken."""

    episode: str
    file: str
    asked: Mapping[str, str]

    @property
    def text(self) -> bytes:
        """The list, as the editor wrote it."""
        return resources.files("workers.demo").joinpath("lists", self.file).read_bytes()


BOARDS = {"kind": "edl", "name_from": "comment"}
TABLE = {"kind": "csv"}
# The animatic as it was locked, then what the editor made of it.
FIRST_CUTS = (
    CutList(episode="e1", file="e1.edl", asked=BOARDS),
    CutList(episode="e2", file="e2.csv", asked=TABLE),
)
SECOND_CUTS = (
    CutList(episode="e1", file="e1-second.edl", asked=BOARDS),
    CutList(episode="e2", file="e2-second.csv", asked=TABLE),
)
