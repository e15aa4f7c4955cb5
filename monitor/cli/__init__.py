"""The command line: ``lifebound COMMAND ...``."""

from monitor.cli.main import main

__all__ = ["main"]
