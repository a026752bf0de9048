"""``tuneassist limits``: every safety rule in force, its value, and where it came from."""

from __future__ import annotations

from tuneassist.cli.options import AsJson, SetupFile


def limits(setup: SetupFile, json: AsJson = False) -> None:
    """List the safety rules in force: value, unit, default or file, and why.

    Also says which way is safe for this engine. Writes no file.
    """
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.correction import describe_limits, setup_questions
    from tuneassist.files.setup_file import read_setup
    from tuneassist.show.rules import limits_screen

    car = read_setup(setup)
    table, notes = describe_limits(car), setup_questions(car)
    if json:
        show_json({"setup": str(setup), "limits": table.to_dict("records"), "notes": list(notes)})
        return
    console = screen()
    show(console, limits_screen(table, car, look_of(console), notes))
