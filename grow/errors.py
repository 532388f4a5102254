"""One family of errors: a code, the facts, and one full sentence with the numbers."""

from typing import Any

from django.db import IntegrityError


class Refusal(Exception):
    """An act that the books do not allow, said before it is done. `status` is for HTTP."""

    status = 422

    def __init__(self, code: str, sentence: str, **facts: Any) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.facts = facts

    def as_json(self) -> dict[str, Any]:
        return {"code": self.code, "sentence": self.sentence, "facts": self.facts}


class NotKnown(Refusal):
    """A code, a place or a person that nobody here knows."""

    status = 404


class NotAllowed(Refusal):
    """This person may not do this."""

    status = 403


class Conflict(Refusal):
    """The same client id with other contents, or an event that was undone since."""

    status = 409


class Busy(Refusal):
    """The books are in use by something long; nothing was written, send it again."""

    status = 503

    def __init__(self) -> None:
        super().__init__(
            "busy", "The books are busy, an import may be running. Nothing was lost: send it again."
        )


_SENTENCES = {
    "holding_never_below_zero": "That would leave less than nothing of a lot in a place.",
    "one_planting_at_a_time_on_a_site": "A plant stands on one of those sites already.",
    "lot_is_held": "The lot is held; only the food-safety lead can release it.",
    "a_tank_feeds_a_place_once": "That tank feeds that place already.",
    "an_input_is_open_once_at_a_place": "That input is already in use there.",
    "run_adds_up": "The run's grams do not add up.",
    "note_line_adds_up": "The note's line does not add up.",
}
_SQLITE_COLUMNS = {
    "grow_planting.site_id": "one_planting_at_a_time_on_a_site",
    "grow_feed.tank_id": "a_tank_feeds_a_place_once",
    "grow_inuse.lot_id": "an_input_is_open_once_at_a_place",
}


def polite(error: IntegrityError) -> Exception:
    """The second guard's refusal in the same words as the first's."""
    text = str(error)
    for column, name in _SQLITE_COLUMNS.items():
        if column in text:
            return Refusal(name, _SENTENCES[name])
    for name, sentence in _SENTENCES.items():
        if name in text:
            return Refusal(name, sentence)
    return error
