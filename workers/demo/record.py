"""The record of a demo: every post in the order it was acknowledged, so that anyone can add it up again."""

import json
import threading
from collections.abc import Mapping
from datetime import date
from typing import Any, TextIO


class Record:
    """Lines of JSON, one for each post; written to a file where one was asked for. Safe between threads."""

    def __init__(self, file: TextIO | None = None) -> None:
        self._file = file
        self._lock = threading.Lock()

    def shot(self, plan: Mapping[str, Any]) -> None:
        """A shot's plan, entered or changed: the later line of a shot replaces the earlier."""
        self._add({"post": "shot", **plan})

    def count(self, terminal: str, stage: str, count: Mapping[str, Any], *, answer: Mapping[str, Any]) -> None:
        """One count as a terminal of a stage sent it, with the answer it was given."""
        self._add({"post": "count", "terminal": terminal, "stage": stage, **count, "answer": dict(answer)})

    def decision(self, shot: str, take: Mapping[str, Any], decision: Mapping[str, Any]) -> None:
        """A decision on a take (`part`, `purpose`, `number`) of a shot."""
        which = {"part": take["part"], "purpose": take["purpose"], "take": take["take"]}
        self._add({"post": "decision", "shot": shot, **which, **decision})

    def signal(self, stage: str, kind: str, at: str) -> None:
        """What a terminal said of its stage's day: `call` or `wrap`, at the instant the service kept."""
        self._add({"post": "signal", "stage": stage, "kind": kind, "at": at})

    def booking(self, booking: Mapping[str, Any]) -> None:
        """A stage, an animator or both, promised."""
        self._add({"post": "booking", **booking})

    def move(self, shot: str, *, origin: str, to: str, **said: str) -> None:
        """A shot went from one phase to another; `said` is the `cause` and the `reason`, where it went back."""
        self._add({"post": "move", "shot": shot, "origin": origin, "to": to, **said})

    def signoff(self, shot: str, matter: str, role: str) -> None:
        """Somebody in this role signed something of a shot off."""
        self._add({"post": "signoff", "shot": shot, "matter": matter, "role": role})

    def suspended(self, shot: str, reason: str) -> None:
        """Work on a shot stopped."""
        self._add({"post": "suspension", "shot": shot, "reason": reason})

    def closed(self, day: date) -> None:
        """A production day is over: what stands in the lines before is what its report was to be made of."""
        self._add({"post": "day", "closed": day.isoformat()})

    def _add(self, line: Mapping[str, Any]) -> None:
        if self._file is None:
            return
        text = json.dumps(line, ensure_ascii=False)
        with self._lock:
            self._file.write(text + "\n")
