"""The clock of the demo's play: the server's time is that of the days that are played, not of the minute they take."""

import threading
from datetime import UTC, datetime


class PlayClock:
    """The latest instant anybody in the play has reached; once it is over, the machine's clock. Safe between threads.

    Without it every frame of the play would be a late one, and every change of credited frames fall on today.
    """

    def __init__(self, begins_at: datetime) -> None:
        self._reached: datetime | None = begins_at.astimezone(UTC)
        self._lock = threading.Lock()

    def __call__(self) -> datetime:
        """The time, UTC; it never goes back."""
        with self._lock:
            return datetime.now(UTC) if self._reached is None else self._reached

    def reach(self, instant: datetime) -> None:
        """Let the play come to this instant, unless it is there already."""
        with self._lock:
            if self._reached is not None:
                self._reached = max(self._reached, instant.astimezone(UTC))

    def end(self) -> None:
        """Give the machine's clock from now on."""
        with self._lock:
            self._reached = None
