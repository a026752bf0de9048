"""``tuneassist keys``: list the keys of a setup file, the channels and the unit words."""

from __future__ import annotations

from typing import Annotated

import typer

from tuneassist import files, show
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.options import AsJson

Section = Annotated[
    str | None,
    typer.Argument(
        metavar="SECTION",
        help="Show only this section: engine, channels, axes, target, steady, correction, limits, "
        "plan, units or fuels.",
        show_default=False,
    ),
]
app = new_app()


@app.command()
def keys(section: Section = None, json: AsJson = False) -> None:
    """List the keys of a setup file with default, unit and purpose.

    Also lists the channel names, fuels and unit words. Writes no file.
    """
    table = files.setup_keys.describe_keys()
    if section is not None:
        wanted = section.strip("[]")
        names = table["section"].str.split(".").str[0]
        if wanted not in set(names):
            raise typer.BadParameter(
                f"unknown section {section!r}. Sections: {', '.join(names.unique())}."
            )
        table = table[names == wanted]
    if json:
        console.write_json({"keys": table.to_dict("records")})
    else:
        console.write(console.screen(), show.setup_keys.setup_keys_screen(table))
