"""Why work goes back: what a rejection may say was wrong, in words a day's returns can be added up by."""

from enum import StrEnum


class ReturnCause(StrEnum):
    """Why work goes back to be done again.

    The animator's performance, the light, the camera, the puppet, a rig that shows, the story, a cut that changed, or
    something else. It says what was wrong with the work, never who did it.
    """

    PERFORMANCE = "performance"
    LIGHT = "light"
    CAMERA = "camera"
    PUPPET = "puppet"
    RIG_SEEN = "rig seen"
    STORY = "story"
    RECUT = "re-cut"
    OTHER = "other"
