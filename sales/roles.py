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
    NOT_A_LEARNERS,
    PACKER,
    PRIVATE,
    ROLES,
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

# the lead, or whoever is made lead while they are away, opens, bounds and closes
for _kind in ("open_recall", "widen_recall", "narrow_recall", "close_recall", "close_mock"):
    MAY[_kind] = frozenset({LEAD})
allow((), "tell_authority", "approve_notices", "send_notice", "reply_recall", "put_right")
allow(ROLES, "complain")
NOT_A_LEARNERS.update({"open_recall", "narrow_recall", "approve_notices", "close_recall"})
MAY["issue_statement"] = frozenset({MANAGER})

LOOKED_AT.add("sales")
PRIVATE |= {"sales.money", "sales.statement"}
PRIVATE |= {
    f"sales.{name}"
    for name in ("recall", "recalllot", "recallwindow", "recallstep", "notice", "reply", "drill")
}
HIDDEN[CHEF].add("sales.price")
# whoever packs keeps the rolls and sheets on which the labels are printed
for _role in (GROWER, PACKER, LEAD, MANAGER):
    SETS_UP[_role] |= {"sales.labelstock", "sales.printer"}
# what a product is in law is decided by whoever answers for it
for _role in (MANAGER, LEAD):
    SETS_UP[_role].add("sales.decisioncard")
SETS_UP[MANAGER] |= {"sales.outlet", "sales.price", "sales.product", "sales.recipeline"}
SETS_UP[MANAGER].add("sales.wanted")
