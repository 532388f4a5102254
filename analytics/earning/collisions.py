"""Which promises cannot all be kept, and what they meet: the way out of a plan that is none."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np

from .space_plan import MEANINGS, PROMISE, Collision, Rows, limit, solve

_LITTLE = 1e-6


def collision(rows: Rows, upper: Sequence[float]) -> Collision:
    """Of a programme without an answer: first the least to withdraw, by giving each promise a
    shortfall and making their sum least; whatever has a price in that answer takes part in a
    contradiction. Then each of these is left out in turn, and stays out if the rest still
    contradict each other: what remains needs every one of its members.

    With several collisions at once, one of them. Everything but the promises can be kept by
    planting nothing, so there is always a promise among them."""
    promises = [i for i, name in enumerate(rows.names) if name[0] == PROMISE]
    elastic = Rows([*rows.names], [*rows.bounds], [*rows.entries])
    columns = len(upper)
    elastic.entries += [(row, columns + i, -1.0) for i, row in enumerate(promises)]
    found = solve(
        np.concatenate([np.zeros(columns), np.ones(len(promises))]),
        elastic,
        [*upper, *[inf] * len(promises)],
    )
    short = {
        rows.names[row][1:]: float(grams)
        for row, grams in zip(promises, found.x[columns:], strict=True)
        if grams > _LITTLE
    }
    stays = {
        i
        for i, (name, price) in enumerate(zip(rows.names, found.ineqlin.marginals, strict=True))
        if name[0] in MEANINGS or abs(price) > _LITTLE
    }
    suspects = [i for i in stays if rows.names[i][0] not in MEANINGS]
    for row in sorted(suspects, key=lambda i: (rows.names[i][0] != PROMISE, i)):
        if not _possible(rows, stays - {row}, upper):
            stays.remove(row)
    told = [limit(rows.names[i], rows.bounds[i], 0.0, 0.0) for i in suspects if i in stays]
    return Collision(
        tuple(x for x in told if x.kind == PROMISE),
        tuple(x for x in told if x.kind != PROMISE),
        short,
    )


def _possible(rows: Rows, of: set[int], upper: Sequence[float]) -> bool:
    """Whether these rows alone can all be kept."""
    part = Rows()
    place = {row: i for i, row in enumerate(sorted(of))}
    part.names = [rows.names[row] for row in place]
    part.bounds = [rows.bounds[row] for row in place]
    part.entries = [(place[row], i, c) for row, i, c in rows.entries if row in place]
    return bool(solve(np.zeros(len(upper)), part, upper).status == 0)
