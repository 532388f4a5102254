"""Every refusal is placed: it lets a fact through, or stands with its reason."""

import inspect
from pathlib import Path

from grow.kinds import KINDS
from tests.refusals import OF_FACTS, STAY, modules, raised

FOUND = [one for path in modules() for one in raised(path)]


def test_every_operation_lies_where_its_refusals_are_looked_for() -> None:
    where = {Path(inspect.getfile(inspect.unwrap(kind.run))) for kind in KINDS.values()}
    assert where <= set(modules())


def test_every_refusal_lets_a_fact_through_or_has_its_reason_to_stand() -> None:
    # refuse_or itself raises what it is given
    standing = {place for how, place in FOUND if how != "refuse_or"} - {"ledger.refuse_or code"}
    assert standing == STAY.keys()


def test_what_lets_a_fact_through_is_not_refused_elsewhere_for_one() -> None:
    """One code, one meaning: a caller may rely on "tell it as already done" helping or not."""
    through = {place.split()[1] for how, place in FOUND if how == "refuse_or"}
    assert through & OF_FACTS == {
        "sites_and_plants"
    }  # too few lost is a fact; a mistyped list is none


#: These leave it to whoever calls them, or have nothing to tell the lead.
SILENT = {
    "growing._free no_room",  # by who asks for sites
    "holds._refuse_made_in held",  # by inherit
    "inputs.open_input an_input_is_open_once_at_a_place",  # told twice, and nothing changes
    "packing._grams_taken short",  # by the run, that outweighs its crates
    "packing._use_by date_lengthened",  # by the run, that is born held
}


def test_what_a_fact_gets_past_is_on_the_list_of_the_lead() -> None:
    """The function that lets it through flags it or holds what it makes."""
    sources = {path.stem: path.read_text() for path in modules()}

    def flags(place: str) -> bool:
        module, function = place.split()[0].split(".")
        body = sources[module].split(f"def {function}(")[1].split("\ndef ")[0]
        return any(w in body for w in ("entry.flag(", "hold_at_birth(", "Flag.objects.create("))

    let_through = {place for how, place in FOUND if how == "refuse_or"}
    assert {place for place in let_through if not flags(place)} == SILENT
