"""Thresholds of what to hold next and of a set of tunes, with unit, default and reason.

Unit and reason stand in each field's metadata, from which the classes' documentation is made.
"Common practice" marks a figure of the trade for which no published source is at hand.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tuneassist.field_facts import SAME, about, documented, require, setting


@documented
@dataclass(frozen=True)
class RegionWeight:
    """How much a part of the map matters."""

    rpm: tuple[float, float] = field(metadata=about(unit="rpm", why="From and to, both included."))
    load: tuple[float, float] = field(metadata=about(unit="load unit", why=SAME))
    weight: float = field(
        metadata=about(
            unit="1", why="Multiplies the general weight there; 0 asks for no holds there."
        )
    )

    def __post_init__(self) -> None:
        for axis in ("rpm", "load"):
            low, high = getattr(self, axis)
            require(low <= high, f"plan.region.{axis}", (low, high), "from low to high")
        require(0 <= self.weight < float("inf"), "plan.region.weight", self.weight, "0 or more")


MOST_HOLDS = 1000
"""Most holds that a setup may ask for in one plan: more than a day of work. [1]"""
_ZERO_OR_MORE = (
    "rest_s", "move_s", "move_s_per_1000_rpm", "move_s_per_load_step", "rev_margin_rpm",
    "floor_clear_pct", "enough_pct",
)  # fmt: skip
_SHARES = ("middle_share", "heavy_share", "light_first_share", "full_until_share", "top_weight",
           "min_gain_share")  # fmt: skip


@documented
@dataclass(frozen=True)
class PlanSettings:
    """What to hold next: reach, weights and the cost of time."""

    hold_s: float = setting(
        12.0,
        unit="s",
        why="""Length of a hold. Settling after a move takes 2 to 5 s; the rest leaves some 20
        independent readings of a wide-band sensor, after which the scatter from hold to hold
        dominates and a longer hold gains nothing.""",
    )
    move_s: float = setting(
        1.0,
        unit="s",
        why="""Time of a move: a fixed part, and per 1000 rpm and per load breakpoint crossed until
        the brake has settled. Common practice.""",
    )
    move_s_per_1000_rpm: float = setting(2.0, unit="s", why=SAME)
    move_s_per_load_step: float = setting(0.5, unit="s", why=SAME)
    rest_s: float = setting(
        30.0,
        unit="s",
        why="""Time that the engine gets below `heavy_share` after a heavy hold: exhaust and charge
        cooler need some tens of seconds to cool. Common practice.""",
    )
    middle_share: float = setting(
        0.45,
        unit="1",
        why="""A hold is of middle weight, or heavy, from this share of the highest load seen on. A
        naturally filled engine's upper third, and the boost of a filled one, are heavy.""",
    )
    heavy_share: float = setting(0.65, unit="1", why=SAME)
    light_first_share: float = setting(
        0.35,
        unit="1",
        why="""At least this share of the light holds comes before the first heavy one; the others
        may fill rests.""",
    )
    max_holds: int = setting(
        60,
        unit="1",
        why="Most holds of one plan: as many as an operator can keep track of in one session.",
    )
    reach_cells: float = setting(
        0.5,
        unit="cells",
        why="""A place is within reach when this near to a breakpoint that samples came nearest to,
        in each direction, and its load no lower and no higher than was driven within one breakpoint
        gap of its speed, interpolated between speeds: what a turbo engine reaches at 2500 rpm says
        nothing about 1000. 0.5 is the cell itself, so that nothing is asked for beyond what was
        driven; 1 (the most allowed) adds half a cell to both.""",
    )
    min_visits: int = setting(
        3,
        unit="1",
        why="Samples nearest to a breakpoint that count as a visit; a single outlier does not.",
    )
    rev_margin_rpm: float = setting(
        200.0,
        unit="rpm",
        why="Distance kept from the rev limit, for the overshoot of speed control.",
    )
    full_until_share: float = setting(
        0.5,
        unit="1",
        why="""The default of where the car is driven: weight 1 up to this share of the speed axis
        (about 3500 rpm of a petrol engine, 2500 of a diesel), falling smoothly to ``top_weight`` at
        its end. Road and towing cars run at low and middle speed. Common practice.""",
    )
    top_weight: float = setting(0.3, unit="1", why=SAME)
    regions: tuple[RegionWeight, ...] = setting(
        (), why="Parts of the map with weights of their own."
    )
    spread_below_holds: int = setting(
        12,
        unit="1",
        why="""With fewer used holds than this, or with no usable surface, holds are spread evenly:
        so few holds do not show where the surface is uncertain.""",
    )
    floor_clear_pct: float = setting(
        10.0,
        unit="%",
        why="""Against a floor: a place leaner than it by more than this needs nothing, however
        uncertain its value, and counts only by the chance that it is nearer. Ten percent of lambda
        is more than one round may take away again.""",
    )
    min_gain_share: float = setting(
        1e-4,
        unit="1",
        why="Holds that shrink the variance by less than this share of what it was are left out.",
    )
    enough_pct: float = setting(
        0.2,
        unit="%",
        why="""With no more standard error than this over the map, the plan says that no further
        holds are needed: twice that is well inside the 1 % that a good wide-band sensor repeats
        (common
        practice, no source).""",
    )

    def __post_init__(self) -> None:
        require(3 <= self.hold_s <= 120, "plan.hold_s", self.hold_s, "from 3 to 120 seconds")
        for name in _ZERO_OR_MORE:
            value = getattr(self, name)
            require(0 <= value < float("inf"), f"plan.{name}", value, "0 or more")
        for name in _SHARES:
            value = getattr(self, name)
            require(0 <= value <= 1, f"plan.{name}", value, "from 0 to 1")
        require(
            self.middle_share <= self.heavy_share,
            "plan.middle_share",
            self.middle_share,
            f"at most heavy_share ({self.heavy_share:g})",
        )
        require(0.5 <= self.reach_cells <= 1, "plan.reach_cells", self.reach_cells, "0.5 to 1")
        for name in ("max_holds", "min_visits", "spread_below_holds"):
            value = getattr(self, name)
            require(value >= 1, f"plan.{name}", value, "1 or more")
        most = MOST_HOLDS
        require(self.max_holds <= most, "plan.max_holds", self.max_holds, f"at most {most}")


@documented
@dataclass(frozen=True)
class TuneSettings:
    """A set of tunes: when power and torque rise in the order stated."""

    least_rise_pct: float = setting(
        0.0,
        unit="%",
        why="""A tune must give more torque and power than the one before it by more than this, at
        every speed that both runs cover.""",
    )
    sure_rise_pct: float = setting(
        2.0,
        unit="%",
        why="""A smaller rise passes with a remark: 40 CFR 1065.205 recommends torque known to
        2 % of the point, so that less may be the brake's.""",
    )
    step_rpm: float = setting(
        100.0,
        unit="rpm",
        why="""Spacing of the speeds at which runs are compared, and the width over which the
        samples of a run are averaged.""",
    )
    max_gap_rpm: float = setting(
        500.0, unit="rpm", why="A longer gap of a run is not interpolated."
    )
    least_span_rpm: float = setting(
        500.0, unit="rpm", why="Least common range of speed over which two runs are compared."
    )
    power_tolerance_pct: float = setting(
        2.0,
        unit="%",
        why="Torque and power of one run may disagree by this; same clause of 40 CFR.",
    )
    mixture_tolerance_pct: float = setting(
        1.0,
        unit="%",
        why="""A towing tune may be nearer to the unsafe side (spark: leaner, compression:
        richer) than the power tune by this: about what a good wide-band sensor repeats (common
        practice, no source).""",
    )
    heat_tolerance_c: float = setting(
        10.0,
        unit="degC",
        why="""Exhaust of a towing tune may be hotter by this: a class 2 thermocouple of type K is
        accurate to 0.75 % of its reading, 7 degC at 900 (IEC 60584-1, from memory), and no two runs
        start equally warm.""",
    )
    heavy_share: float = setting(
        0.65,
        unit="1",
        why="Cells from this share of the highest load on count as heavy, besides those in boost.",
    )

    def __post_init__(self) -> None:
        require(0 <= self.heavy_share <= 1, "tunes.heavy_share", self.heavy_share, "from 0 to 1")
        for name in (
            "least_rise_pct",
            "sure_rise_pct",
            "power_tolerance_pct",
            "mixture_tolerance_pct",
            "heat_tolerance_c",
        ):
            value = getattr(self, name)
            require(0 <= value < 100, f"tunes.{name}", value, "from 0 to below 100")
        for name in ("step_rpm", "max_gap_rpm", "least_span_rpm"):
            value = getattr(self, name)
            require(0 < value < float("inf"), f"tunes.{name}", value, "greater than 0")
