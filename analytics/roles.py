"""Rates are the manager's: what an hour and a bag cost is nobody else's to set."""

from grow.models import Person
from grow.roles import GROWER, LOOKED_AT, MANAGER, PRIVATE, SETS_UP, roles_of
from grow.scope import tied_to

LOOKED_AT.add("analytics")
_TOLD = {"analytics.rate", "analytics.standarduse", "analytics.timedday", "analytics.claim"}
PRIVATE |= _TOLD
SETS_UP[MANAGER] |= _TOLD

#: Who reads yields, waste and margin.
READ_FIGURES = frozenset({GROWER, MANAGER})


def may_read_both(person: Person) -> bool:
    """Figures and money: what each customer paid, and of what is left wage, rent and what was paid
    are a part."""
    from sales.pages_money import may_read_money  # pages, which are loaded after roles

    return may_read_figures(person) and may_read_money(person)


def may_read_figures(person: Person) -> bool:
    """Growers and managers; nobody who is tied to one outlet, whatever their role."""
    if tied_to(person):
        return False
    return person.is_superuser or bool(roles_of(person) & READ_FIGURES)
