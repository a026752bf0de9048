"""The setup's section ``[plan]``: where the car is driven, and what a hold costs.

::

    [plan]
    hold_s = 15.0

    [[plan.region]]
    rpm = [4000, 6500]
    load = [100.0, 180.0]
    weight = 3.0
"""

from __future__ import annotations

from pathlib import Path

from tuneassist.files.toml_table import errors_located, field_values, keys_of, read_toml
from tuneassist.loop.settings import PlanSettings, RegionWeight

PLAN_KEYS = (*(key for key in keys_of(PlanSettings) if key != "regions"), "region")
"""Keys of the section."""


def read_plan_settings(path: Path) -> PlanSettings:
    """Read where the car is driven from a setup file; or use the defaults.

    Parameters
    ----------
    path
        The setup file.

    Raises
    ------
    SetupError
        When the section is invalid; names file and key.
    """
    table = read_toml(Path(path)).table("plan")
    table.check_names(PLAN_KEYS)
    regions = []
    for part in table.tables("region"):
        part.check_names(keys_of(RegionWeight))
        for key in keys_of(RegionWeight):
            if key not in part:
                raise part.error(key, "this key is missing.", "A region has rpm, load and weight.")
        with errors_located(part, "plan.region"):
            regions.append(RegionWeight(**field_values(RegionWeight, part)))
    values = field_values(PlanSettings, table, skip=("regions",))
    with errors_located(table, "plan"):
        return PlanSettings(**values, regions=tuple(regions))
