"""The screen of a terminal: entered and left, redrawn when something changed, and only then."""

from __future__ import annotations

import io

import pytest
from rich.console import Console
from rich.text import Text

from monitor.faces.terminal.live import Screen, has_terminal
from tests.faces.terminal import samples

ENTER, LEAVE = "\x1b[?1049h", "\x1b[?1049l"


class Terminal(io.StringIO):
    """A file that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def terminal(term: str = "xterm", **options: int) -> Console:
    size = {"width": 80, "height": 24} | options
    return Console(file=Terminal(), _environ={"TERM": term}, color_system=None, **size)  # type: ignore[arg-type]


def written(console: Console) -> str:
    assert isinstance(console.file, Terminal)
    return console.file.getvalue()


@pytest.mark.parametrize(("term", "has"), [("xterm", True), ("tmux-256color", True), ("dumb", False)])
def test_a_terminal_is_one_that_can_show_a_screen(term: str, has: bool) -> None:
    assert has_terminal(terminal(term)) is has


def test_a_pipe_is_no_terminal_even_when_colour_is_forced() -> None:
    assert not has_terminal(Console(file=io.StringIO(), _environ={"TERM": "xterm"}))
    assert not has_terminal(Console(file=io.StringIO(), _environ={"TERM": "xterm", "FORCE_COLOR": "1"}))


def test_the_terminal_comes_back_as_it_was_even_after_an_error() -> None:
    console = terminal()
    with pytest.raises(RuntimeError, match="in the middle"), Screen(console):  # noqa: PT012  the block is the point
        assert ENTER in written(console)
        assert LEAVE not in written(console)
        raise RuntimeError("in the middle")
    assert written(console).count(LEAVE) == 1


def test_nothing_is_drawn_again_unless_it_changed() -> None:
    console = terminal()
    with Screen(console) as screen:
        assert screen.update(Text("first"))
        drawn = written(console)
        assert "first" in drawn
        assert not screen.update(Text("first"))
        assert written(console) == drawn
        assert screen.update(Text("second"))
        assert "second" in written(console)[len(drawn) :]


def test_a_change_of_style_alone_is_a_change() -> None:
    with Screen(terminal()) as screen:
        assert screen.update(Text("words"))
        assert screen.update(Text.assemble(("words", "bold")))


def test_a_new_size_is_drawn_anew() -> None:
    console = terminal()
    with Screen(console) as screen:
        assert screen.update(Text("the same"))
        console.size = (70, 20)  # type: ignore[assignment]
        assert screen.update(Text("the same"))
        assert screen.show(samples.sound(), [], samples.link())
        assert not screen.show(samples.sound(), [], samples.link())
        console.size = (60, 16)  # type: ignore[assignment]
        assert screen.show(samples.sound(), [], samples.link())


def test_show_draws_the_view_at_the_terminals_size() -> None:
    console = terminal()
    with Screen(console, ascii_only=True) as screen:
        screen.show(samples.sound(campaign="térn"), [], samples.link())
    assert "All 231 chips are stressed and read." in written(console)
    assert "t?rn: data 4 s old" in written(console)
