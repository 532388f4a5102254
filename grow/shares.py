"""Sharing whole grams: the largest remainder, ties to the one named first (the older)."""

from collections.abc import Sequence


def shared_out(total: int, weights: Sequence[int]) -> list[int]:
    """Whole parts of `total` in proportion to `weights`, adding up to it exactly.

    shared_out(100, [1, 1, 1]) → [34, 33, 33]. With no weight at all the parts are equal; a part
    never takes the other sign. Method: largest remainder (Hamilton), as used for seats."""
    if not weights:
        return []
    if total < 0:
        return [-part for part in shared_out(-total, weights)]
    whole = sum(weights)
    if whole <= 0:
        weights = [1] * len(weights)
        whole = len(weights)
    parts = [total * w // whole for w in weights]
    return _with_rests(parts, total, [total * w % whole for w in weights])


def whole(parts: Sequence[int], one: int) -> list[int]:
    """Parts counted in `one`ths as whole ones that add up to their sum, which is rounded half up:
    each rounded down, then the largest rests up, ties to the one named first. Parts below nought
    are as welcome: whole([-3, 5], 2) → [-1, 2]."""
    down = [part // one for part in parts]
    total = (2 * sum(parts) + one) // (2 * one)
    return _with_rests(down, total, [part % one for part in parts])


def _with_rests(down: list[int], total: int, rests: Sequence[int]) -> list[int]:
    """One more for each of the largest rests, until they add up."""
    if short := total - sum(down):
        for i in sorted(range(len(down)), key=lambda i: (-rests[i], i))[:short]:
            down[i] += 1
    return down
