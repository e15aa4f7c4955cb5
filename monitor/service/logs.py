"""Structured logs: one JSON object a line on standard error."""

from __future__ import annotations

import logging
import sys
from datetime import UTC, datetime

import msgspec

_STANDARD = set(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}


class JsonFormatter(logging.Formatter):
    """A record as one line of JSON: time, level, logger, event, and whatever ``extra`` carries."""

    def format(self, record: logging.LogRecord) -> str:
        fields: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": record.getMessage(),
        }
        fields.update({key: str(value) for key, value in record.__dict__.items() if key not in _STANDARD})
        if record.exc_info:
            fields["trace"] = self.formatException(record.exc_info)
        return msgspec.json.encode(fields).decode()


def log_to_stderr(level: int = logging.INFO) -> None:
    """Send the logs of the service to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    logging.getLogger("mqtt").setLevel(logging.WARNING)
    logging.getLogger("aiohttp.access").setLevel(logging.WARNING)
