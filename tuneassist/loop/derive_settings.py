"""Thresholds of milder tunes made from a strong one, with unit, default and reason.

Unit and reason stand in each field's metadata, from which the classes' documentation is made.
"Common practice" marks a figure of the trade for which no published source is at hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from tuneassist.by_value import ByValue
from tuneassist.field_facts import SAME, about, documented, require, setting
from tuneassist.loop.tune_model import KINDS, STANDARD
from tuneassist.settings import Ceiling

ECONOMY, TOWING = "economy", "towing"
_SHARES = ("low_speed_share", "full_load_share", "cruise_share")
_SUSTAINED_PCT = ("sustained_torque_pct", "sustained_boost_pct")
_MARGINS_PCT = ("margin_torque_pct", "margin_boost_pct", "curve_doubt_pct")


@documented
@dataclass(frozen=True, eq=False)
class MildTune(ByValue):
    """One tune to make: how much of the strong tune's correction it keeps, and its ceilings."""

    name: str = field(metadata=about(why="The tuner's word for it; also names its folder."))
    kind: str = setting("other", why="economy, towing, power or other, as in the list of tunes.")
    low_speed_share: float = setting(
        0.5,
        unit="1",
        why="""Share of the correction kept below `low_speed_rpm` under load. Towing 0.8: a trailer
        starts and climbs from low speed. Economy 0.5: pulling early saves a lower gear. Common
        practice.""",
    )
    full_load_share: float = setting(
        0.5,
        unit="1",
        why="""Share kept at full load above it. Towing 0.6: heat is held for minutes there. Economy
        0.3. Common practice.""",
    )
    cruise_share: float = setting(
        0.5,
        unit="1",
        why="""Share kept at light load. Towing 0.6, as at full load, so that the pedal feels
        even. Economy 0.3. Common practice.""",
    )
    sustained_exhaust_c: float = setting(
        0.0,
        unit="degC",
        why="""So much lower is the exhaust temperature ceiling of a tune that is held for minutes:
        50 for towing. A pull of seconds ends before the metal is as hot as the gas. Common
        practice.""",
    )
    sustained_torque_pct: float = setting(
        0.0,
        unit="%",
        why="""The same for the ceilings on torque and boost: 10 and 5 for towing, since gearbox and
        charge cooler warm up under a load that lasts. Common practice.""",
    )
    sustained_boost_pct: float = setting(0.0, unit="%", why=SAME)
    ceilings: Mapping[str, Ceiling] = field(
        default_factory=lambda: MappingProxyType({}),
        metadata=about(why="Ceilings of its own, taken as they are; the others follow from above."),
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "ceilings", MappingProxyType(dict(self.ceilings)))
        allowed = tuple(kind for kind in KINDS if kind != STANDARD)
        require(self.kind in allowed, "derive.tune.kind", self.kind, "one of " + ", ".join(allowed))
        require(bool(self.name.strip()), "derive.tune.name", self.name, "a name")
        for name in _SHARES:
            value = getattr(self, name)
            require(0 <= value <= 1, f"derive.tune.{name}", value, "from 0 to 1")
        value = self.sustained_exhaust_c
        require(0 <= value <= 300, "derive.tune.sustained_exhaust_c", value, "from 0 to 300")
        for name in _SUSTAINED_PCT:
            value = getattr(self, name)
            require(0 <= value < 100, f"derive.tune.{name}", value, "from 0 to below 100")


def usual_tune(kind: str, name: str = "") -> MildTune:
    """Return the tune that is made by default of a kind.

    Parameters
    ----------
    kind
        "economy", "towing", "power" or "other".
    name
        Its name; empty takes the kind.
    """
    name = name or kind
    if kind == TOWING:
        return MildTune(
            name, kind, low_speed_share=0.8, full_load_share=0.6, cruise_share=0.6,
            sustained_exhaust_c=50.0, sustained_torque_pct=10.0, sustained_boost_pct=5.0,
        )  # fmt: skip
    if kind == ECONOMY:
        return MildTune(name, kind, full_load_share=0.3, cruise_share=0.3)
    return MildTune(name, kind)


@documented
@dataclass(frozen=True)
class DeriveSettings:
    """Milder tunes from a strong one: regions of the map, margins, and what is not seen."""

    low_speed_rpm: float = setting(
        1800.0,
        unit="rpm",
        why="""Up to here a speed is low. Over the next `blend_rpm` the share passes to that of full
        load, so that the grid has no edge. Turbo engines reach full boost near there. Common
        practice.""",
    )
    blend_rpm: float = setting(800.0, unit="rpm", why=SAME)
    cruise_below_share: float = setting(
        0.35,
        unit="1",
        why="""Up to this share of the highest load breakpoint (a gauge axis counts from vacuum) the
        load is light; from the second on it is full, and in between the share passes over. The
        second is what the check of towing tunes calls heavy.""",
    )
    full_load_from_share: float = setting(0.65, unit="1", why=SAME)
    margin_exhaust_c: float = setting(
        15.0,
        unit="degC",
        why="""The predicted exhaust temperature stays so far below the tune's ceiling: about the
        class of a type K thermocouple twice (IEC 60584-1, from memory).""",
    )
    margin_torque_pct: float = setting(
        3.0,
        unit="%",
        why="""The same for torque, whose prediction is held by the upper end of its interval, and
        for boost, counted from the barometer. Common practice.""",
    )
    margin_boost_pct: float = setting(3.0, unit="%", why=SAME)
    share_without_run: float = setting(
        0.5,
        unit="1",
        why="""Where no run shows torque, or a ceiling's reading, a tune keeps no more than this
        share of the correction under load: half way to a tune that was measured. 0 keeps the
        standard tune there.""",
    )
    curve_doubt_pct: float = setting(
        15.0,
        unit="%",
        why="""Torque need not rise evenly with the correction. At half of it the prediction may be
        off by this part of the difference of the two runs (95 %), at none and at all of it by
        nothing. An engine that gives two thirds of the gain in the first half is just covered.
        Common practice.""",
    )
    low_down_rpm: float = setting(
        2000.0, unit="rpm", why="Speed at which torque low down is told: where a car is driven."
    )

    def __post_init__(self) -> None:
        for name in ("low_speed_rpm", "blend_rpm", "low_down_rpm"):
            value = getattr(self, name)
            require(0 < value < 30_000, f"derive.{name}", value, "above 0 and below 30000")
        low, high = self.cruise_below_share, self.full_load_from_share
        require(0 <= low < high <= 1, "derive.cruise_below_share", low,
                f"from 0 to below full_load_from_share ({high:g}), which is at most 1")  # fmt: skip
        value = self.share_without_run
        require(0 <= value <= 1, "derive.share_without_run", value, "from 0 to 1")
        value = self.margin_exhaust_c
        require(0 <= value <= 300, "derive.margin_exhaust_c", value, "from 0 to 300")
        for name in _MARGINS_PCT:
            value = getattr(self, name)
            require(0 <= value < 100, f"derive.{name}", value, "from 0 to below 100")
