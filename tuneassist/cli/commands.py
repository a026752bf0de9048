"""The commands: their names, where they live, and one line of help for each.

A command's module is imported when the command is called, so that the list of commands, a wrong
name and ``--version`` need none of them.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

HELP_NAMES = {"help_option_names": ["-h", "--help"]}
COMMANDS = {
    "propose": (
        "tuneassist.cli.propose:app",
        "Propose a bounded correction from logs, and write it as a grid.",
    ),
    "check": (
        "tuneassist.cli.check:app",
        "Show how logs are read: what was recognised, converted, mended and dropped.",
    ),
    "coverage": (
        "tuneassist.cli.coverage:app",
        "Show which cells were seen, held and can be trusted, and which still need holds.",
    ),
    "plan": (
        "tuneassist.cli.plan:app",
        "List the holds that take most of the remaining doubt away for the time.",
    ),
    "verify": (
        "tuneassist.cli.verify:app",
        "Hold a grid file against every rule of the setup.",
    ),
    "limits": (
        "tuneassist.cli.limits:app",
        "List the safety rules in force: value, unit, default or file, and why.",
    ),
    "keys": (
        "tuneassist.cli.keys:app",
        "List what may stand in a setup file: keys, defaults, units, and what each is for.",
    ),
    "runs": (
        "tuneassist.cli.runs:app",
        "Compare full-load runs before and after, in standard air, with intervals from repeats.",
    ),
    "report": (
        "tuneassist.cli.report:app",
        "Write a page about a tune that needs no network: for a screen, a phone, and A4 paper.",
    ),
    "rounds": (
        "tuneassist.cli.rounds:app",
        "The tune loop, one folder per tune: log, propose, load, log again, until it is enough.",
    ),
    "tunes": (
        "tuneassist.cli.tunes:app",
        "A set of tunes of one car: standard, economy, towing, high power.",
    ),
}
"""Name to the import string of its `typer.Typer` and its line of help, in the order of the help."""


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
    """A command of which only name and line of help are known until it is called.

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
