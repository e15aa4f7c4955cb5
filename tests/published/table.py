"""The page of published values: ``python -m tests.published.table`` writes it (``make docs``)."""

from __future__ import annotations

from pathlib import Path

from tests.published.catalogue import topics
from tests.published.check import PROVENANCES, Check

PAGE = "docs/published-values.md"
_HEAD = """# Published and reference values, and ours

Written by `make docs`; a test holds the page against the code. Each row is a check of the test suite. *Known* says how
the reference value is known. Published ones: **read** in the source or in an open package that prints it; **read
second-hand** in a text that cites the source; **from memory** (the source itself could not be opened: look it up before
quoting it). Others: **library run**, printed by an open general-purpose library; **mpmath**, computed with at least 20
digits, without lifebound's code, where nothing published was found. A difference larger than the reference's last digit
allows has a note. Beside these, the test suite holds the functions against scipy, statsmodels, lifelines and mpmath on
drawn inputs.
"""


def page() -> str:
    """The page as Markdown."""
    parts = [_HEAD, *_summary()]
    for topic, checks in topics().items():
        parts.append(f"## {topic}\n")
        parts.append("| claim | source | known | reference | ours | relative difference | note |")
        parts.append("| --- | --- | --- | --- | --- | --- | --- |")
        parts += [_row(check) for check in checks]
        parts.append("")
    return "\n".join(parts)


def _summary() -> list[str]:
    """How many checks of each topic are known how."""
    lines = ["| topic | " + " | ".join(PROVENANCES) + " |", "| --- |" + " ---: |" * len(PROVENANCES)]
    for topic, checks in topics().items():
        counts = [sum(check.provenance == kind for check in checks) for kind in PROVENANCES]
        lines.append(f"| {topic} | " + " | ".join(str(n) if n else "" for n in counts) + " |")
    return [*lines, ""]


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
