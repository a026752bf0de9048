"""``tuneassist keys``: every key of a setup file, the channels and the unit words."""

from __future__ import annotations

from typing import Annotated

import typer

from tuneassist.cli.options import AsJson


def keys(
    section: Annotated[
        str | None,
        typer.Argument(
            metavar="SECTION",
            help="Only this section: engine, channels, axes, target, steady, correction, limits, "
            "plan, fuels or units.",
            show_default=False,
        ),
    ] = None,
    json: AsJson = False,
) -> None:
    """List what may stand in a setup file: keys, defaults, units, and what each is for.

    Also the names of the channels, the fuels and the unit words. Writes no file.
    """
    from tuneassist.cli.console import screen, show, show_json
    from tuneassist.files.setup_keys import describe_keys
    from tuneassist.show.setup_keys import setup_keys_screen

    table = describe_keys()
    if section is not None:
        wanted = section.strip("[]")
        names = table["section"].str.split(".").str[0]
        if wanted not in set(names):
            raise typer.BadParameter(f"{section!r} is no section; {', '.join(names.unique())} are.")
        table = table[names == wanted]
    if json:
        show_json({"keys": table.to_dict("records")})
        return
    show(screen(), setup_keys_screen(table))
