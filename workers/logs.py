"""Log lines for machines: one JSON object a line on standard error."""

import json
import logging
import sys
from datetime import UTC, datetime

# What every record carries; anything else was given as `extra` and is shown.
USUAL = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName", "color_message"}

# They tell at length what this program says itself.
CHATTY = ("alembic", "uvicorn.error", "celery", "kombu")


class JsonLines(logging.Formatter):
    """A record as one line of JSON: when, how severe, who says it, what, and whatever else was given with it."""

    def format(self, record: logging.LogRecord) -> str:
        """The line, without its end."""
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= {name: value for name, value in vars(record).items() if name not in USUAL}
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


def start(level: str) -> None:
    """Send what this process logs to standard error, from `level` on."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    logging.captureWarnings(capture=True)
    for chatty in CHATTY:
        logging.getLogger(chatty).setLevel(logging.WARNING)
