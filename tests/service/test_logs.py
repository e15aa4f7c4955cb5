"""A line of the log is bounded, whatever it tells: nobody fills the disk with one message."""

from __future__ import annotations

import json
import logging
import sys

from monitor.service.logs import JsonFormatter


def test_a_line_is_bounded_and_still_says_what_it_is() -> None:
    record = logging.makeLogRecord(
        {"name": "n", "levelname": "ERROR", "msg": "refused", "topic": "x" * 10**6}
    )
    try:
        raise ValueError("y" * 10**6)
    except ValueError:
        record.exc_info = sys.exc_info()
    line = JsonFormatter().format(record)
    told = json.loads(line)
    assert len(line) < 30_000
    assert (told["event"], told["level"], told["topic"][:3]) == ("refused", "error", "xxx")
    assert "ValueError" in told["trace"]
    assert told["topic"].endswith("...")
