"""What a move leaves behind inside the holds: a tail that fades while lambda is read.

Settling is over when the samples scatter no more than later ones do, and a slow tail (walls and a
sensor that warm up, a film that dries, a loop that creeps) hides in that scatter. All holds have it
alike, or by the move that led to them, so that no comparison of holds shows it, and every interval
is too narrow about a wrong middle. All holds together do show it: each one's own slope over its
own time. The tail is taken to fade exponentially,

    need of a sample = need of the hold + (a + b x move) exp(-age / fading time) + noise,

for several fading times, with and without the part that follows the move, and without any tail.
Each is weighed by its likelihood, with Schwarz's price for its coefficients (Annals of Statistics
6(2), 1978, 461-464), and what they say is averaged with what they disagree by (Hoeting, Madigan,
Raftery and Volinsky, Statistical Science 14(4), 1999, 382-417). The error of a coefficient rests on
how the holds' slopes scatter, and not on samples, which follow each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from tuneassist.evidence.groups import Groups
from tuneassist.grid import Floats

#: Fading times that are tried; a tail slower than the last looks like a change of the engine. [s]
TIMES_S = np.array([1.5, 2.2, 3.3, 5.0, 7.5, 11.0, 16.0])
#: Middle of what fading times are ordinary, and their spread in e-folds. Chambers and sensors warm
#: within seconds (common practice, no source). [s], [1]
USUAL_TIME_S, TIME_SPREAD = 4.0, 0.7
#: Chance of a tail before a log is looked at, and below which a log is left as it is. [1]
PRIOR_CHANCE, LEAST_CHANCE = 0.1, 0.1
#: Fewest holds that show a tail, and fewest samples of each. [1]
MIN_HOLDS, MIN_SAMPLES = 10, 4
#: A move counts in full from this share of the usual move on, where only its direction matters. [1]
FULL_MOVE = 0.25
#: A hold's slope counts as at most this many robust standard deviations, a sample's gap from the
#: middle of its hold as a spike beyond. [1], [1]
SLOPE_SPANS, SPIKE_SPANS = 4.0, 5.0


@dataclass(frozen=True, eq=False)
class Tail:
    """How the need fades after a move, by every explanation that was weighed.

    Parameters
    ----------
    chance
        Chance that there is a tail at all. [1]
    weight, fading_s
        Chance and fading time of each explanation, shape (k,). [1], [s]
    size, variance
        Coefficient of the part that every hold has and of the part that follows the move, shape
        (k, 2), and their covariance, shape (k, 2, 2). [ln]
    is_sharp
        Whether the move counts by its direction, shape (k,); else by its size.
    usual_move
        Root mean square of the moves of load. [load unit]
    """

    chance: float
    weight: Floats
    fading_s: Floats
    size: Floats
    variance: Floats
    is_sharp: npt.NDArray[np.bool_]
    usual_move: float

    def left_in(self, groups: Groups, age_s: Floats, move: Floats) -> tuple[Floats, Floats, Floats]:
        """Tell what the tail has left in the mean of each hold, with its standard errors.

        Parameters
        ----------
        groups
            The holds.
        age_s
            Time of each sample since its stretch began. [s]
        move
            Move of load that led to each hold. [load unit]

        Returns
        -------
        mean, alike, by_move
            What is left, shape (holds,), and its error that all holds share and that which goes
            with the move, whose sign it has. [ln]
        """
        left = {tau: groups.mean(np.exp(-age_s / tau)) for tau in np.unique(self.fading_s)}
        share = np.stack([left[tau] for tau in self.fading_s])
        moves = np.where(self.is_sharp[:, None], *_moves(move, self.usual_move))
        parts = share[:, :, None] * self.size[:, None, :]
        parts[:, :, 1] *= moves
        mean = np.tensordot(self.weight, parts, axes=1)
        errors = share**2 * self.variance[:, :1, 0], (share * moves) ** 2 * self.variance[:, 1:, 1]
        spread = parts**2 + np.stack(errors, axis=2)
        se = np.sqrt(np.maximum(np.tensordot(self.weight, spread, axes=1) - mean**2, 0.0))
        return mean.sum(axis=1), se[:, 0], se[:, 1] * np.sign(move)


def _moves(move: Floats, usual: float) -> tuple[Floats, Floats]:
    """Moves by their direction, and by their size. [1]"""
    return np.clip(move / (FULL_MOVE * usual), -1.0, 1.0), move / usual


@dataclass(frozen=True, eq=False)
class _Slopes:
    """Each hold's regression on one fading time: sums of squares and products."""

    square: Floats
    product: Floats

    @classmethod
    def of(cls, groups: Groups, age_s: Floats, need_ln: Floats, tau: float) -> _Slopes:
        fade = np.exp(-age_s / tau)
        fade, need = (v - groups.spread(groups.mean(v)) for v in (fade, need_ln))
        square = np.maximum(groups.sum(fade**2), 1e-12)
        slope = groups.sum(fade * need) / np.sqrt(square)
        middle = float(np.median(slope))
        limit = SLOPE_SPANS * 1.4826 * float(np.median(np.abs(slope - middle)))
        slope = np.clip(slope, middle - limit, middle + limit)
        return cls(square, slope * np.sqrt(square))


@dataclass(frozen=True, eq=False)
class _Line:
    """Coefficients of one explanation, their information, and the scatter about it."""

    size: Floats
    information: Floats
    gain: float
    scatter: float

    @classmethod
    def of(cls, slopes: _Slopes, columns: Floats) -> _Line:
        information = (columns * slopes.square[:, None]).T @ columns
        size: Floats = np.asarray(np.linalg.solve(information, columns.T @ slopes.product))
        rest = slopes.product - slopes.square * (columns @ size)
        spare = len(rest) - columns.shape[1]
        return cls(
            size,
            information,
            float(size @ information @ size),
            float(np.sum(rest**2 / slopes.square)) / spare,
        )


def find_tail(groups: Groups, age_s: Floats, need_ln: Floats, move: Floats) -> Tail | None:
    """Find the tail that a log's holds have in common.

    Parameters
    ----------
    groups
        The holds, by their samples.
    age_s
        Time of each sample since its stretch began. [s]
    need_ln
        What each sample needs. [ln]
    move
        Move of load that led to each hold. [load unit]

    Returns
    -------
    Tail or None
        None where a tail is unlikely, or the holds are too few to tell.
    """
    groups, age_s, need_ln, move = _without_spikes(groups, age_s, need_ln, move)
    if len(groups.count) < MIN_HOLDS:
        return None
    usual = float(np.sqrt(np.mean(move**2)))
    ones = np.ones(len(move))
    kinds = [(False, ones[:, None])]
    if usual > 0:
        sharp, even = _moves(move, usual)
        kinds += [(True, np.stack([ones, sharp], 1)), (False, np.stack([ones, even], 1))]
    slopes = [(float(tau), _Slopes.of(groups, age_s, need_ln, tau)) for tau in TIMES_S]
    lines = [
        (tau, is_sharp, _Line.of(own, columns))
        for is_sharp, columns in kinds
        for tau, own in slopes
    ]
    return _weighed(lines, holds=len(ones), kinds=len(kinds), usual=max(usual, 1e-9))


def _without_spikes(
    groups: Groups, age_s: Floats, need_ln: Floats, move: Floats
) -> tuple[Groups, Floats, Floats, Floats]:
    """Leave out wild samples, and holds of too few or of one moment."""
    gap = np.abs(need_ln - groups.spread(groups.median(need_ln)))
    keep = gap <= SPIKE_SPANS * 1.4826 * float(np.median(gap)) if len(gap) else gap > 0
    enough = groups.total(keep) >= MIN_SAMPLES
    keep &= np.asarray(groups.spread(enough), dtype=bool)
    label = groups.spread(np.arange(len(groups.count)))[keep]
    return Groups.of(label), age_s[keep], need_ln[keep], move[enough]


def _weighed(
    lines: list[tuple[float, bool, _Line]], *, holds: int, kinds: int, usual: float
) -> Tail | None:
    """Weigh the explanations against each other and against no tail."""
    noise = max(max(lines, key=lambda one: one[2].gain)[2].scatter, 1e-18)
    score = []
    for tau, _, line in lines:
        prior = -0.5 * (np.log(tau / USUAL_TIME_S) / TIME_SPREAD) ** 2
        score.append(0.5 * line.gain / noise - 0.5 * len(line.size) * np.log(holds) + prior)
    every = sum(np.exp(-0.5 * (np.log(TIMES_S / USUAL_TIME_S) / TIME_SPREAD) ** 2)) * kinds
    logs = np.array(score) + np.log(PRIOR_CHANCE / every)
    total = special.logsumexp(np.append(logs, np.log1p(-PRIOR_CHANCE)))
    weight = np.exp(logs - total)
    if weight.sum() < LEAST_CHANCE:
        return None
    size, variance = np.zeros((len(lines), 2)), np.zeros((len(lines), 2, 2))
    for row, (_, _, line) in enumerate(lines):
        k = len(line.size)
        size[row, :k] = line.size
        variance[row, :k, :k] = noise * np.linalg.inv(line.information)
    return Tail(
        float(weight.sum()),
        weight,
        np.array([one[0] for one in lines]),
        size,
        variance,
        np.array([one[1] for one in lines]),
        usual,
    )
