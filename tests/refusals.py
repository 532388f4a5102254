"""Which refusals stand even when the act is told as a fact, each with its reason.

The ledger: a fact is written around what it meets, and flagged. "Refused even so: a person
who may not act, nought, a code that nobody knows, a till row whose product was never on that
shelf." What is told and corrected in the books alone is no fact of the farm, and what was not told
cannot be written.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import grow
import sales

PERSON = "a person who may not act (section 6)"
NOUGHT = "nought, or less than nought (section 6)"
NOBODY_KNOWS = "a code, a kind or a choice that nobody knows (section 6)"
NEVER_THERE = "a till row whose product was never on that shelf (section 6)"
NOT_TOLD = "nothing told that could be written: what, where, how much or why is missing"
CONTRADICTS = "what was told contradicts itself; the books do not choose"
OF_NOW = "an act of the books, now: taking back, correcting, holding, letting go (sections 4 and 5)"
ONE_ID = "one client id, one event (section 2)"
BEFORE_ONLY = "raised only before the act: the code looks whether it was told as a fact"
SECOND_GUARD = "the database's own guard, which a fact must never reach (section 8)"

#: "module.function code" → why it may stay.
STAY: dict[str, str] = {
    # the ledger
    "ledger.run moment": BEFORE_ONLY,
    "ledger._refuse_no_id client_id": ONE_ID,
    "ledger._again client_id_reused": ONE_ID,
    "ledger._again undone": ONE_ID,
    "ledger._refuse_dead recorded_in_error": BEFORE_ONLY,
    "ledger.move same_place": NOUGHT,
    "ledger._refuse_off_tower on_a_tower": NOT_TOLD,  # from which sites
    "ledger._refuse_short already_used": OF_NOW,
    "ledger._refuse_short short": BEFORE_ONLY,
    "books._refuse_or_flag short_then": BEFORE_ONLY,
    "fitting.refuse_unfit too_many": NOBODY_KNOWS,
    "fitting._refuse_against too_long": NOBODY_KNOWS,
    "fitting._refuse_against no_such_choice": NOBODY_KNOWS,
    "fitting._refuse_against nought": NOUGHT,
    "fitting._refuse_against too_many": NOBODY_KNOWS,
    "fitting._refuse_twice twice": CONTRADICTS,
    "fitting.refuse_unless wrong_kind": NOBODY_KNOWS,
    "errors.polite too_long": NOBODY_KNOWS,
    "errors.polite rule": SECOND_GUARD,
    "notes._unsend paper_on_it": OF_NOW,
    "ledger_hooks.recount_packs not_in_it": OF_NOW,
    # taking back and correcting
    "corrections._cancel cannot_cancel": OF_NOW,
    "corrections._cancel already_cancelled": OF_NOW,
    "corrections._cancel corrected_since": OF_NOW,
    "corrections._cancel site_planted_again": OF_NOW,
    "corrections._cancel cut_since": OF_NOW,
    "corrections._cancel used_since": OF_NOW,
    "corrections._refuse_used used_since": OF_NOW,
    "corrections._refuse_moved_since moved_since": OF_NOW,
    "corrections.cancel reason": OF_NOW,
    "corrections.undo not_yours": OF_NOW,
    "corrections.undo too_late": OF_NOW,
    "corrections.correct_weight nought": OF_NOW,
    "corrections.correct_weight same": OF_NOW,
    "corrections._born not_weighed": OF_NOW,
    "corrections.correct_origin origin": OF_NOW,
    "corrections.correct_origin same": OF_NOW,
    "corrections.clear_origin not_struck": OF_NOW,
    # countersigning
    "signing.countersign nought": NOUGHT,
    "signing.countersign not_signed_off": PERSON,
    "signing._refuse own_entry": PERSON,
    "signing._refuse not_waiting": OF_NOW,
    "signing._refuse cancelled_since": OF_NOW,
    "signing._refuse already_countersigned": OF_NOW,
    # holding and letting go
    "stock.hold reason": OF_NOW,
    "stock.release reason": OF_NOW,
    "stock.release half_told": OF_NOW,
    "stock.release one_lot": OF_NOW,
    "stock.release not_held": OF_NOW,
    "stock.refuse_unless_signed_off not_signed_off": PERSON,
    # growing
    "growing._whole nought": NOUGHT,
    "growing.check_germination nought": NOUGHT,
    "growing._refuse_unfit sites_and_plants": CONTRADICTS,
    "growing.opening_entry grams_each": NOT_TOLD,
    "growing.opening_entry where": NOT_TOLD,
    "inputs.receive_produce nought": NOUGHT,
    "inputs.describe nought": NOUGHT,
    "inputs.keep_photo no_picture": NOBODY_KNOWS,
    "inputs._refuse_vast too_large": NOBODY_KNOWS,
    "water.feed nought": NOUGHT,
    "water.treat where": NOT_TOLD,
    "watch._things where": NOT_TOLD,
    "watch.incident where": NOT_TOLD,
    "laboratory.lab_result where": NOT_TOLD,
    "laboratory.lab_result no_figure": NOT_TOLD,
    # cutting
    "cutting.harvest empty_crate": NOUGHT,
    "cutting.harvest nought": NOUGHT,
    "cutting.harvest what": NOT_TOLD,
    "cutting._ask_back unusual": BEFORE_ONLY,
    "cutting._tag no_such_tag": NOBODY_KNOWS,
    "cutting.print_tags how_many": NOUGHT,
    # stock and sales
    "stock._some nought": NOUGHT,
    "stock.count nought": NOUGHT,
    "stock.count by_date": NOT_TOLD,  # of which lots
    "notes._check nought": NOUGHT,
    "notes.receive nought": NOUGHT,
    "notes.receive wrong_kind": NOBODY_KNOWS,
    "arriving.come_without_note nought": NOUGHT,
    "arriving.come_without_note unit": CONTRADICTS,
    "arriving._unwritten paper_on_it": OF_NOW,
    "packing._run loose": NOBODY_KNOWS,
    "packing._run nought": NOUGHT,
    "packing._run twice": CONTRADICTS,
    "packing.rework rework": CONTRADICTS,
    "packing._grams_taken used_or_left": CONTRADICTS,
    "packing._grams_taken nought": NOUGHT,
    "packing._grams_taken left": NOT_TOLD,
    "labelling.run_of no_run": NOBODY_KNOWS,
    "labelling.print_labels nought": NOUGHT,
    "labelling.spoil_labels nought": NOUGHT,
    "labelling.relabel reason": NOT_TOLD,
    "weighing.weigh_packs nought": NOUGHT,
    "weighing.refuse_odd nought": NOUGHT,
    "weighing.refuse_odd too_fine": NOT_TOLD,
    "weighing.refuse_odd too_heavy": NOT_TOLD,
    "weighing.refuse_odd_target odd_target": NOT_TOLD,
    "weighing.refuse_odd more_than_packs": CONTRADICTS,
    "selling.use nought": NOUGHT,
    "selling.sell nought": NOUGHT,
    "selling.return_goods nought": NOUGHT,
    "selling._refuse_other other_product": CONTRADICTS,
    "selling._refuse_never_there never_there": NEVER_THERE,
    "accounts.issue_statement month_not_over": OF_NOW,
    "accounts.issue_statement stated": ONE_ID,  # one statement, one month
    "accounts.issue_statement stated_since": OF_NOW,
    "accounts.issue_statement stated_in_order": OF_NOW,
    "selling._told_once till_day_told": ONE_ID,  # the till's unit is its day
    "selling.till_day till_name": NOBODY_KNOWS,
    "selling.till_day day_to_come": NOBODY_KNOWS,
    "shop.sold_out never_there": NEVER_THERE,
    # recalls: stopping, bounding, approving and closing are acts of the books
    "recalling.open_recall reason": NOT_TOLD,
    "recalling._scope nought": NOUGHT,
    "recalling._scope half_told": CONTRADICTS,
    "recalling._scope a_window_ends_after_it_begins": CONTRADICTS,
    "recalling._refuse_wider not_in_recall": OF_NOW,
    "recalling._refuse_wider not_narrower": OF_NOW,
    "recalling._refuse_wider a_window_ends_after_it_begins": CONTRADICTS,
    "recalling._refuse_closed recall_closed": OF_NOW,
    "recalling._refuse_no_reason reason": NOT_TOLD,
    "recall_scope._refuse_let_go on_a_recall": OF_NOW,
    "recalling.narrow_recall nought": NOUGHT,
    "recalling.narrow_recall not_in_recall": OF_NOW,
    "recalling.approve_notices not_signed_off": PERSON,
    "recalling.approve_notices authority_first": OF_NOW,
    "recalling.approve_notices drafts_changed": OF_NOW,
    "recalling.approve_notices nought": NOUGHT,
    "recalling.send_notice nought": NOUGHT,
    "recalling._refuse_stranger no_such_customer": NOBODY_KNOWS,
    "recalling.reply_recall nought": NOUGHT,
    "recalling.reply_recall is_mock": OF_NOW,
    "recalling.reply_recall not_in_recall": OF_NOW,
    "recalling.reply_recall not_ours": NOBODY_KNOWS,
    "recalling.close_recall is_mock": OF_NOW,
    "recalling.close_recall reason": NOT_TOLD,
    "recalling.close_recall unexplained": OF_NOW,
    "recalling.close_mock is_mock": OF_NOW,
    "recalling.close_mock not_in_recall": OF_NOW,
    "recalling.close_mock reason": NOT_TOLD,
    "recalling.close_mock unexplained": OF_NOW,
    "recalling.close_mock what_is_done": NOT_TOLD,
    "recalling.complain reason": NOT_TOLD,
    "recalling.complain a_complaint_is_of_something": NOT_TOLD,
    "recalling.put_right reason": NOT_TOLD,
    "recalling.put_right already_answered": OF_NOW,
    "shop.mark_down nought": NOUGHT,
}
#: The codes that somebody who tells a fact may still meet.
OF_FACTS = frozenset(
    place.split()[1] for place, why in STAY.items() if why not in (BEFORE_ONLY, SECOND_GUARD)
)

_RAISED = ("Refusal", "NotAllowed", "NotKnown", "Conflict")
#: Where an operation's way leads besides the verbs themselves.
_ON_THE_WAY = ("ledger", "books", "holds", "touch", "fitting", "errors", "ledger_hooks", "dated")
_ON_THE_WAY += ("recall_scope",)


def modules() -> list[Path]:
    """The sources that an operation runs through."""
    roots = [Path(str(app.__file__)).parent for app in (grow, sales)]
    found = [path for root in roots for path in sorted((root / "operations").glob("*.py"))]
    return found + [
        p for root in roots for name in _ON_THE_WAY if (p := root / f"{name}.py").exists()
    ]


def raised(path: Path) -> Iterator[tuple[str, str]]:
    """(how, "module.function code") of every refusal that a source may raise; how is "refuse_or"
    where a fact is let through. Found by the syntax tree, so a new one cannot hide."""
    yield from _within(ast.parse(path.read_text()), path.stem, "")


def _within(node: ast.AST, module: str, function: str) -> Iterator[tuple[str, str]]:
    for child in ast.iter_child_nodes(node):
        name = child.name if isinstance(child, ast.FunctionDef) else function
        if isinstance(child, ast.Call) and child.args:
            called = child.func
            how = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if how in (*_RAISED, "refuse_or"):
                code = child.args[0]
                text = code.value if isinstance(code, ast.Constant) else ast.unparse(code)
                yield how, f"{module}.{name} {text}"
        yield from _within(child, module, name)


__all__ = ["OF_FACTS", "STAY", "modules", "raised"]
