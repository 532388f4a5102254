"""Crops compared as if each had stood on the same tiers: height on a tower matters two- to
five-fold in published trials, so a crop at the top looks better than it is.

The model is additive: value = crop + tier, by least squares, each batch and tier weighted by its
site-days. With crops alone it is the ratio of sums itself.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from .ratios import Floats, coded


@dataclass(frozen=True)
class Term:
    """What one factor explains beyond those named before it. f, p: against the residual; None
    where that has no degrees of freedom."""

    name: str
    freedom: int
    squares: float
    f: float | None
    p: float | None


@dataclass(frozen=True)
class Analysis:
    """terms in the order told; the residual's squares, degrees of freedom and mean square."""

    terms: tuple[Term, ...]
    squares: float
    freedom: int

    @property
    def mean_square(self) -> float:
        return self.squares / self.freedom if self.freedom else float("nan")


def analyse(
    values: ArrayLike,
    factors: Mapping[str, Sequence[Hashable]],
    weights: ArrayLike | None = None,
) -> Analysis:
    """Analysis of variance, factors one after another, as told; values (rows,), labels (rows,).

    A factor that says nothing new (nested the wrong way round) has no degrees of freedom. Weights
    are site-days; left out, all rows weigh the same. ValueError for different lengths.

    Numbers are centred first: Σx² − (Σx)² ÷ n gives a negative F on NIST's set SmLs07."""
    y = np.asarray(values, float)
    w = np.ones_like(y) if weights is None else np.asarray(weights, float)
    if y.ndim != 1 or w.shape != y.shape or any(len(f) != len(y) for f in factors.values()):
        raise ValueError("Give each row one value, one weight and one label of each factor.")
    root = np.sqrt(w)
    y = y - y[0]  # exact where the values are near each other
    y = y - np.average(y, weights=w)
    design = root[:, None]
    left, rank = _left(design, root * y)
    found: list[tuple[str, int, float]] = []
    for name, labels in factors.items():
        design = np.hstack([design, root[:, None] * _indicators(labels)])
        now, rank_now = _left(design, root * y)
        explained = now - left
        found.append((name, rank_now - rank, float(explained @ explained)))
        left, rank = now, rank_now
    rest, freedom = float(left @ left), int(np.count_nonzero(w)) - rank
    terms = []
    for name, df, squares in found:
        f = squares / df / (rest / freedom) if df and freedom and rest else None
        p = None if f is None else float(fdtrc(df, freedom, f))
        terms.append(Term(name, df, squares, f, p))
    return Analysis(tuple(terms), rest, freedom)


def _left(design: Floats, y: Floats) -> tuple[Floats, int]:
    """(residuals of y, rank of the design)."""
    fit, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    return y - design @ fit, int(rank)


def _indicators(labels: Sequence[Hashable]) -> Floats:
    levels, places = coded(labels)
    return np.eye(len(levels))[places]


@dataclass(frozen=True)
class Layout:
    """Rows of batch and tier, ready to be added up by week: equations (weeks, p, p), sides
    (weeks, p), p = crops + tiers − 1; stood (weeks, crops, tiers): site-days; never_stood (weeks,
    crops): what came of rows without site-days; mix (tiers,): share of all site-days, the tiers
    on which every crop is compared."""

    weeks: tuple[Hashable, ...]
    crops: tuple[Hashable, ...]
    tiers: tuple[Hashable, ...]
    equations: Floats
    sides: Floats
    stood: Floats
    never_stood: Floats
    mix: Floats


def layout(
    crop: Sequence[Hashable],
    week: Sequence[Hashable],
    tier: Sequence[Hashable],
    top: ArrayLike,
    below: ArrayLike,
) -> Layout:
    """One row a batch and tier, all (rows,); top ÷ below is its value, site-days below its weight.

    A row of no site-days, such as a tray that failed, is charged to its crop over all the sites
    that the crop held. ValueError where there are no site-days at all."""
    y, x = np.asarray(top, float), np.asarray(below, float)
    crops, c = coded(crop)
    weeks, w = coded(week)
    tiers, t = coded(tier)
    if not x.sum() > 0:
        raise ValueError("No site-days on any tier.")
    row = np.zeros((len(x), len(crops) + len(tiers)))
    rows = np.arange(len(x))
    row[rows, c] = 1
    row[rows, len(crops) + t] = 1
    row = np.delete(row, len(crops), axis=1)  # the first tier is what the others differ from
    shape = (len(weeks), row.shape[1])
    equations, sides = np.zeros((*shape, shape[1])), np.zeros(shape)
    np.add.at(equations, w, x[:, None, None] * row[:, :, None] * row[:, None, :])
    np.add.at(sides, w, np.where(x > 0, y, 0.0)[:, None] * row)
    stood = np.zeros((len(weeks), len(crops), len(tiers)))
    np.add.at(stood, (w, c, t), x)
    never = np.zeros((len(weeks), len(crops)))
    np.add.at(never, (w, c), np.where(x > 0, 0.0, y))
    mix = stood.sum((0, 1)) / x.sum()
    return Layout(weeks, crops, tiers, equations, sides, stood, never, mix)


def adjusted(of: Layout, counts: ArrayLike) -> Floats:
    """(resamples, crops): each crop's value on the farm's own mix of tiers, counts (resamples,
    weeks) saying how often each week is in. NaN where a crop cannot be compared: not there, or on
    no tier that it shares, through whatever others, with the crop of most site-days."""
    n = np.atleast_2d(np.asarray(counts, float))
    crops = len(of.crops)
    equations = np.tensordot(n, of.equations, axes=1)
    sides = np.tensordot(n, of.sides, axes=1)
    # A crop that was not drawn leaves a row of noughts, which the pseudo-inverse passes over.
    scale = np.sqrt(np.einsum("bii->bi", equations))
    scale[scale == 0] = 1.0
    inverse = np.linalg.pinv(
        equations / scale[:, :, None] / scale[:, None, :], rcond=1e-10, hermitian=True
    )
    fit = np.einsum("bij,bj->bi", inverse, sides / scale) / scale
    stood = np.tensordot(n, of.stood, axes=1)
    there = stood.sum(axis=2)
    charged = np.divide(n @ of.never_stood, there, out=np.zeros_like(there), where=there > 0)
    values = fit[:, :crops] + fit[:, crops:] @ of.mix[1:, None] + charged
    return np.where(_comparable(stood), values, np.nan)


def _comparable(stood: Floats) -> NDArray[np.bool_]:
    """(resamples, crops): linked over shared tiers with the crop of most site-days."""
    there = (stood > 0).astype(float)
    linked = np.matmul(there, there.transpose(0, 2, 1)) > 0
    for _ in range(max(1, stood.shape[1].bit_length())):
        linked = np.matmul(linked.astype(float), linked.astype(float)) > 0
    chief = np.argmax(stood.sum(axis=(0, 2)))
    missing = stood[:, chief].sum(axis=1) <= 0
    biggest = np.where(missing, np.argmax(stood.sum(axis=2), axis=1), chief)
    return np.asarray(linked[np.arange(len(stood)), biggest], dtype=bool)
