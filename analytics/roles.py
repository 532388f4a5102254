"""Rates are the manager's: what an hour and a bag cost is nobody else's to set."""

from grow.roles import LOOKED_AT, MANAGER, PRIVATE, SETS_UP

LOOKED_AT.add("analytics")
PRIVATE.add("analytics.rate")
SETS_UP[MANAGER].add("analytics.rate")
