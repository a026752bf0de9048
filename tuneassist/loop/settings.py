"""Thresholds of what to hold next and of a set of tunes, with unit, default and reason.

"Common practice" marks a figure of the trade for which no published source is at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

from tuneassist.errors import SetupError


def _require(ok: bool, key: str, got: object, right: str) -> None:
    if not ok:
        raise SetupError(f"{key} is {got!r}.", mend=f"It must be {right}.")


@dataclass(frozen=True)
class RegionWeight:
    """How much a part of the map matters.

    Parameters
    ----------
    rpm, load
        From and to, both included. [rpm], [load unit]
    weight
        Multiplies the general weight there; 0 asks for no holds for its sake. [1]
    """

    rpm: tuple[float, float]
    load: tuple[float, float]
    weight: float

    def __post_init__(self) -> None:
        for axis in ("rpm", "load"):
            low, high = getattr(self, axis)
            _require(low <= high, f"plan.region.{axis}", (low, high), "from low to high")
        _require(0 <= self.weight < float("inf"), "plan.region.weight", self.weight, "zero or more")


MOST_HOLDS = 1000
"""Most holds that a setup may ask for in one plan: more than a day of holding. [1]"""
_ZERO_OR_MORE = (
    "rest_s", "move_s", "move_s_per_1000_rpm", "move_s_per_load_step", "rev_margin_rpm",
    "floor_clear_pct", "enough_pct",
)  # fmt: skip
_SHARES = ("middle_share", "heavy_share", "light_first_share", "full_until_share", "top_weight",
           "min_gain_share")  # fmt: skip


@dataclass(frozen=True)
class PlanSettings:
    """What to hold next: reach, weights and the price of time.

    Parameters
    ----------
    hold_s
        Length of a hold. Settling after a move takes 2 to 5 s; the rest leaves some 20
        independent readings of a wide-band sensor, after which the scatter from hold to hold
        dominates and a longer hold buys nothing. [s]
    move_s, move_s_per_1000_rpm, move_s_per_load_step
        Time of a move: to ask for it, and per 1000 rpm and per load breakpoint crossed until the
        brake has caught up. Common practice. [s]
    rest_s
        Time that the engine gets below `heavy_share` after a heavy hold: exhaust and charge
        cooler need some tens of seconds to give their heat away. Common practice. [s]
    middle_share, heavy_share
        A hold is of middle weight, or heavy, from this share of the highest load seen on. A
        naturally filled engine's upper third, and the boost of a filled one, are heavy. [1]
    light_first_share
        At least this share of the light holds comes before the first heavy one; the others may
        fill rests. [1]
    max_holds
        Most holds of one plan: what an operator keeps apart in one session. [1]
    reach_cells
        A place is within reach when this near to a breakpoint that samples came nearest to, in
        each direction, and its load no lower and no higher than was driven within one breakpoint
        gap of its speed, interpolated between speeds: what a turbo engine reaches at 2500 rpm says
        nothing about 1000. 0.5 is the cell itself, so that nothing is asked for beyond what was
        driven; 1 (the most allowed) adds half a cell to both. [cells]
    min_visits
        Samples nearest to a breakpoint that count as a visit; one wild reading is none. [1]
    rev_margin_rpm
        Distance kept from the rev limit, for the overshoot of speed control. [rpm]
    full_until_share, top_weight
        The default of where the car is driven: weight 1 up to this share of the speed axis (about
        3500 rpm of a petrol engine, 2500 of a diesel), falling smoothly to ``top_weight`` at its
        end. Road and towing cars live at low and middle speed. Common practice. [1], [1]
    regions
        Parts of the map with weights of their own.
    spread_below_holds
        With fewer used holds than this, or with no usable surface, holds are spread evenly: what
        is not known yet cannot say where it is uncertain. [1]
    floor_clear_pct
        Against a floor: a place leaner than it by more than this needs nothing, however uncertain
        its value, and counts only by the chance that it is not so. Ten percent of lambda is more
        than one round may take away again. [%]
    min_gain_share
        Holds that shrink the variance by less than this share of what it was are left out. [1]
    enough_pct
        With no more standard error than this over the map, it is said that nothing needs to be
        held: two of it lie well inside the 1 % that a good wide-band sensor repeats (common
        practice, no source). [%]
    """

    hold_s: float = 12.0
    move_s: float = 1.0
    move_s_per_1000_rpm: float = 2.0
    move_s_per_load_step: float = 0.5
    rest_s: float = 30.0
    middle_share: float = 0.45
    heavy_share: float = 0.65
    light_first_share: float = 0.35
    max_holds: int = 60
    reach_cells: float = 0.5
    min_visits: int = 3
    rev_margin_rpm: float = 200.0
    full_until_share: float = 0.5
    top_weight: float = 0.3
    regions: tuple[RegionWeight, ...] = ()
    spread_below_holds: int = 12
    floor_clear_pct: float = 10.0
    min_gain_share: float = 1e-4
    enough_pct: float = 0.2

    def __post_init__(self) -> None:
        _require(3 <= self.hold_s <= 120, "plan.hold_s", self.hold_s, "from 3 to 120 seconds")
        for name in _ZERO_OR_MORE:
            value = getattr(self, name)
            _require(0 <= value < float("inf"), f"plan.{name}", value, "zero or more")
        for name in _SHARES:
            value = getattr(self, name)
            _require(0 <= value <= 1, f"plan.{name}", value, "from 0 to 1")
        _require(
            self.middle_share <= self.heavy_share,
            "plan.middle_share",
            self.middle_share,
            f"at most heavy_share ({self.heavy_share:g})",
        )
        _require(0.5 <= self.reach_cells <= 1, "plan.reach_cells", self.reach_cells, "0.5 to 1")
        for name in ("max_holds", "min_visits", "spread_below_holds"):
            value = getattr(self, name)
            _require(value >= 1, f"plan.{name}", value, "one or more")
        most = MOST_HOLDS
        _require(self.max_holds <= most, "plan.max_holds", self.max_holds, f"at most {most}")


@dataclass(frozen=True)
class TuneSettings:
    """A set of tunes: when power and torque rise in the order stated.

    Parameters
    ----------
    least_rise_pct
        A tune must give more torque and power than the one before it by more than this, at every
        speed that both runs cover. [%]
    sure_rise_pct
        A smaller rise is passed but remarked on: 40 CFR 1065.205 recommends torque known to 2 %
        of the point, so that less may be the brake's. [%]
    step_rpm
        Spacing of the speeds at which runs are compared, and the width over which the samples of
        a run are averaged. [rpm]
    max_gap_rpm
        Nothing is read into a longer gap of a run. [rpm]
    least_span_rpm
        Least common range of speed from which an order is told. [rpm]
    power_tolerance_pct
        Torque and power of one run may disagree by this; the same clause of 40 CFR. [%]
    mixture_tolerance_pct
        A towing tune may be nearer to the side that hurts (spark: leaner, compression: richer) than
        the power tune by this: about what a good wide-band sensor repeats (common practice, no
        source). [%]
    heat_tolerance_c
        Exhaust of a towing tune may be hotter by this: a class 2 thermocouple of type K is told to
        0.75 % of its reading, 7 degC at 900 (IEC 60584-1, from memory), and no two runs start
        alike. [degC]
    heavy_share
        Cells from this share of the highest load on count as heavy, besides those in boost. [1]
    """

    least_rise_pct: float = 0.0
    sure_rise_pct: float = 2.0
    step_rpm: float = 100.0
    max_gap_rpm: float = 500.0
    least_span_rpm: float = 500.0
    power_tolerance_pct: float = 2.0
    mixture_tolerance_pct: float = 1.0
    heat_tolerance_c: float = 10.0
    heavy_share: float = 0.65

    def __post_init__(self) -> None:
        _require(0 <= self.heavy_share <= 1, "tunes.heavy_share", self.heavy_share, "from 0 to 1")
        for name in (
            "least_rise_pct",
            "sure_rise_pct",
            "power_tolerance_pct",
            "mixture_tolerance_pct",
            "heat_tolerance_c",
        ):
            value = getattr(self, name)
            _require(0 <= value < 100, f"tunes.{name}", value, "from 0 to below 100")
        for name in ("step_rpm", "max_gap_rpm", "least_span_rpm"):
            value = getattr(self, name)
            _require(0 < value < float("inf"), f"tunes.{name}", value, "above zero")
