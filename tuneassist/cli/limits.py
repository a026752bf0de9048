"""``tuneassist limits``: list the safety rules in force."""

from __future__ import annotations

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.options import AsJson, SetupFile

app = new_app()


@app.command()
def limits(setup: SetupFile, json: AsJson = False) -> None:
    """List every safety rule in force, its value, source and reason.

    Also says which direction is safe for this engine. Writes no file.
    """
    found = workflow.limits.read_limits(setup)
    if json:
        console.write_json(
            {
                "setup": str(setup),
                "limits": found.table.to_dict("records"),
                "notes": list(found.notes),
            }
        )
        return
    screen = console.screen()
    look = console.display_of(screen)
    console.write(screen, show.rules.limits_screen(found.table, found.setup, look, found.notes))
