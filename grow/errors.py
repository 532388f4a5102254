"""One family of errors: a code, the facts, and one full sentence with the numbers."""

from typing import Any


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
