"""The example campaign, and ways to spoil it."""

from __future__ import annotations

from importlib import resources

from monitor.campaign import Campaign, CampaignError, Problem, Source, parse

EXAMPLE = (resources.files("monitor.campaign") / "examples" / "tern-a1.toml").read_text(encoding="utf-8")
DEMO = (resources.files("monitor.campaign") / "examples" / "tern-a1-demo.toml").read_text(encoding="utf-8")


def changed(*edits: tuple[str, str], text: str = EXAMPLE) -> str:
    """``text`` with the first occurrence of each old piece replaced."""
    for old, new in edits:
        assert old in text, f"{old!r} is not in the file"
        text = text.replace(old, new, 1)
    return text


def read(text: str, chips_csv: str | None = None) -> Campaign:
    """The campaign that ``text`` is."""
    return parse(Source("spoiled.toml", text, chips_csv))


def problems(text: str, chips_csv: str | None = None) -> list[Problem]:
    """What is wrong with ``text``; empty when nothing is."""
    try:
        read(text, chips_csv)
    except CampaignError as error:
        return error.problems
    return []


def without_chips(text: str = EXAMPLE) -> str:
    """``text`` up to its [[chips]]."""
    return text[: text.index("[[chips]]")]


def with_chips_file(text: str = EXAMPLE, name: str = "chips.csv") -> str:
    """``text`` with its chips in a file."""
    return f'chips_file = "{name}"\n' + without_chips(text)
