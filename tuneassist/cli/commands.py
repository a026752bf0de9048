"""The commands: name, import string and one line of help.

A command's module is imported when the command is called. The list of commands, a wrong name and
``--version`` import none of them.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from tuneassist.cli import options

HELP_NAMES = {"help_option_names": ["-h", "--help"]}
COMMANDS = {
    "propose": (
        "tuneassist.cli.propose:app",
        "Propose a limited correction grid from logs and write it.",
    ),
    "spots": (
        "tuneassist.cli.spots:app",
        "Propose a limited correction grid from values found by hand and write it.",
    ),
    "check": (
        "tuneassist.cli.check:app",
        "Show how logs are read and what they are worth as evidence.",
    ),
    "coverage": (
        "tuneassist.cli.coverage:app",
        "Show which cells are seen, held, trusted or still need holds.",
    ),
    "plan": (
        "tuneassist.cli.plan:app",
        "List the holds that reduce doubt most in the time available.",
    ),
    "sheet": (
        "tuneassist.cli.sheet:app",
        "Write the bench sheet of a day: one page to print for the shop wall.",
    ),
    "verify": (
        "tuneassist.cli.verify:app",
        "Check a grid file against every rule of the setup.",
    ),
    "limits": (
        "tuneassist.cli.limits:app",
        "List every safety rule in force, its value, source and reason.",
    ),
    "keys": (
        "tuneassist.cli.keys:app",
        "List the keys of a setup file with default, unit and purpose.",
    ),
    "runs": (
        "tuneassist.cli.runs:app",
        "Compare full-load runs before and after a change.",
    ),
    "report": (
        "tuneassist.cli.report:app",
        "Write a report on a tune as one self-contained HTML page.",
    ),
    "rounds": (
        "tuneassist.cli.rounds:app",
        "The tune loop, one folder per tune: log, propose, load, repeat.",
    ),
    "tunes": (
        "tuneassist.cli.tunes:app",
        "Make and check a set of tunes of one car, such as economy and towing.",
    ),
    "setup": (
        "tuneassist.cli.setup:app",
        "Write a commented setup to start from, made from logs.",
    ),
    "simulate": (
        "tuneassist.cli.simulate:app",
        "Drive a simulated car with any grid and write its log, to try the program.",
    ),
}
"""Import string of each command's `typer.Typer`, and its line of help, in order of display."""


def new_app(words: str | None = None) -> typer.Typer:
    """Return the `typer.Typer` of one command, or of a group with these words of help."""
    return typer.Typer(
        help=words,
        no_args_is_help=words is not None,
        add_completion=False,
        rich_markup_mode=None,  # plain help: the framed one takes twice as long to start
        pretty_exceptions_enable=False,
        context_settings=HELP_NAMES,
    )


class LazyCommand(TyperCommand):
    """A command that is imported when it is called.

    Parameters
    ----------
    name
        Its name.
    target
        Import string of its `typer.Typer`.
    summary
        Its line of help.
    """

    def __init__(self, name: str, target: str, summary: str) -> None:
        super().__init__(name=name, short_help=summary)
        self._target = target

    def load(self) -> Any:
        """Import the command."""
        module, _, attribute = self._target.partition(":")
        command = typer.main.get_command(getattr(import_module(module), attribute))
        command.name = self.name
        if self.name not in options.UNITLESS:
            options.with_units(command)
        return command


class LazyGroup(TyperGroup):
    """A group that lists its commands without importing them."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.commands = {
            name: LazyCommand(name, target, summary) for name, (target, summary) in COMMANDS.items()
        }

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command that was typed, and import it."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, command.load() if isinstance(command, LazyCommand) else command, rest
