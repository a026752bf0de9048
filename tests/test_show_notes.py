"""What the rules held back, in words: each cell once for each rule."""

from __future__ import annotations

import pandas as pd

from tuneassist.show.notes import held_by_rule


def test_a_cell_that_both_of_its_neighbours_hold_is_one_cell_where_it_lost_most() -> None:
    binding = pd.DataFrame(
        {
            "rule": ["slope", "slope", "slope", "step", "step", "step"],
            "rpm": [1750.0, 1750.0, 1450.0, 900.0, 1000.0, 1100.0],
            "load": [46.0, 46.0, 38.0, 10.0, 10.0, 10.0],
            "would_have_got_pct": [-16.0, -16.0, -9.0, 5.0, 5.0, 5.0],
            "got_pct": [-12.0, -10.0, -8.0, 4.0, 4.0, 4.0],
        }
    )
    (first, steps), (second, slopes) = held_by_rule(binding)
    assert (first, len(steps)) == ("step", 3)  # the rule with most cells comes first
    assert second == "slope"
    assert slopes[["rpm", "got_pct"]].to_numpy().tolist() == [[1750.0, -10.0], [1450.0, -8.0]]
