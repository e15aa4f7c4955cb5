"""The page of published values: ``python -m tests.published.table`` writes it (``make docs``)."""

from __future__ import annotations

from pathlib import Path

from tests.published.catalogue import topics
from tests.published.check import Check

PAGE = "docs/published-values.md"
_HEAD = """# Published values and ours

Written by `make docs`; a test holds the page against the code. Each row is a check of the test suite. *Known* says how
the published digits are known: **read** in the source or in an open package that prints them; **read second-hand** in
a text that cites the source; **from memory** (the source itself could not be opened: look it up before quoting it);
**library run**: printed by an open general-purpose library; **mpmath**: computed with at least 20 digits, without
lifebound's code. A difference larger than the source's last digit allows has a note.
"""


def page() -> str:
    """The page as Markdown."""
    parts = [_HEAD]
    for topic, checks in topics().items():
        parts.append(f"## {topic}\n")
        parts.append("| claim | source | known | published | ours | relative difference | note |")
        parts.append("| --- | --- | --- | --- | --- | --- | --- |")
        parts += [_row(check) for check in checks]
        parts.append("")
    return "\n".join(parts)


def _row(check: Check) -> str:
    ours = check.ours()
    cells = [
        check.claim,
        check.source,
        check.provenance,
        f"{check.published:.15g}",
        f"{ours:.8g}",
        _difference(ours, check.published),
        check.note,
    ]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _difference(ours: float, published: float) -> str:
    """Rounded so far that another machine's last bits do not show."""
    if published == 0:
        return "0" if abs(ours) < 1e-12 else f"{ours:+.0e} (absolute)"
    relative = ours / published - 1
    return "below 1e-9" if abs(relative) < 1e-9 else f"{relative:+.0e}"


if __name__ == "__main__":
    (Path(__file__).parents[2] / PAGE).write_text(page())
