"""What each role may tell of packing and selling, and which of its tables it sets up."""

from grow.roles import (
    CHEF,
    GROWER,
    HIDDEN,
    LEAD,
    LEARNER,
    LOOKED_AT,
    MANAGER,
    MAY,
    PACKER,
    PRIVATE,
    SETS_UP,
    SHOP,
    allow,
)

_HANDLES = {GROWER, LEARNER, PACKER}
allow(_HANDLES, "pack", "rework", "deliver")
allow(_HANDLES, "look_over", "weigh_packs", "print_labels", "spoil_labels")
allow({GROWER, PACKER}, "relabel")
allow(_HANDLES | {SHOP}, "put_on_shelf")
allow({SHOP}, "sell", "sold_out", "mark_down")
allow({CHEF}, "use")
# a shop that wants notes takes in what comes with them
allow({CHEF, SHOP}, "receive", "come_without_note", "return_goods")

MAY["issue_statement"] = frozenset({MANAGER})

LOOKED_AT.add("sales")
PRIVATE |= {"sales.money", "sales.statement"}
HIDDEN[CHEF].add("sales.price")
# whoever packs keeps the rolls and sheets on which the labels are printed
for _role in (GROWER, PACKER, LEAD, MANAGER):
    SETS_UP[_role] |= {"sales.labelstock", "sales.printer"}
# what a product is in law is decided by whoever answers for it
for _role in (MANAGER, LEAD):
    SETS_UP[_role].add("sales.decisioncard")
SETS_UP[MANAGER] |= {"sales.outlet", "sales.price", "sales.product", "sales.recipeline"}
SETS_UP[MANAGER].add("sales.wanted")
