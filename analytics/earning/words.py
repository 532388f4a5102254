"""Words that several sentences share."""

from __future__ import annotations

from collections.abc import Sequence


def listed(names: Sequence[str]) -> str:
    """a, b and c; empty of none."""
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))
