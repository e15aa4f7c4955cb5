"""Structured logs: one JSON object a line on standard error."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime

from shared.shown import plain_json

_STANDARD = set(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}
_LONGEST = (
    2000  # characters of one value, so that nobody fills the disk with the log; a trace has ten times as many
)


class JsonFormatter(logging.Formatter):
    """A record as one line of JSON in ASCII: time, level, logger, event, and whatever ``extra`` carries.

    Whoever looks at the log in a terminal sees no more than characters, whatever a rack or a server sent.
    """

    def format(self, record: logging.LogRecord) -> str:
        fields = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": record.getMessage(),
        }
        fields.update({key: str(value) for key, value in record.__dict__.items() if key not in _STANDARD})
        fields = {key: _cut(value, _LONGEST) for key, value in fields.items()}
        if record.exc_info:
            fields["trace"] = _cut(self.formatException(record.exc_info), 10 * _LONGEST)
        return plain_json(json.dumps(fields, separators=(",", ":")))


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[:most] + "..."


def log_to_stderr(level: int = logging.INFO) -> None:
    """Send the logs of the service to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    logging.getLogger("mqtt").setLevel(logging.WARNING)
    logging.getLogger("aiohttp.access").setLevel(logging.WARNING)
