"""What the framework leaves out of the schema: that every address may refuse, and how."""

from __future__ import annotations

from typing import Any

_REFUSAL: dict[str, Any] = {
    "type": "object",
    "description": "Why not: a code for programs, one full sentence for people, and the facts.",
    "properties": {
        "code": {"type": "string"},
        "sentence": {"type": "string"},
        "facts": {"type": "object", "additionalProperties": True},
    },
    "required": ["code", "sentence", "facts"],
    "additionalProperties": False,
}
_ALWAYS = {
    "400": "It cannot be read; facts.fields says of each field why.",
    "401": "Not signed in.",
    "403": "This person may not.",
    "404": "Nobody here knows it, or this person may not see it.",
    "405": "This address does not do that.",
    "406": "Only JSON is answered.",
    "422": "The books do not allow it; the sentence has the numbers and the way out.",
    "429": "Too many tries.",
    "503": "The books are busy; nothing was written. Retry-After says when to send it again.",
}
_WRITING = {
    "409": "The same id with other contents, one undone since, or a row that is still used.",
    "413": "Too large.",
    "415": "Only JSON is read.",
}
_TOLD = ("ActRequest", "PartRequest", "TallyRequest")
_METHODS = ("get", "post", "patch", "put", "delete")


def every_refusal(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """A hook of drf-spectacular, after the schema is made."""
    shapes = result.setdefault("components", {}).setdefault("schemas", {})
    shapes["Refusal"] = _REFUSAL
    for name, told in shapes.items():
        if name.endswith(_TOLD):
            told["additionalProperties"] = False  # what an act does not ask for is refused
            for field in told.get("required", ()):
                if told["properties"][field].get("type") == "array":
                    told["properties"][field]["minItems"] = 1  # an empty list is nothing said
    shape = {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}}
    for address in result["paths"].values():
        for method in _METHODS:
            if method not in address:
                continue
            said = _ALWAYS if method == "get" else _ALWAYS | _WRITING
            answers = address[method]["responses"]
            for code, why in sorted(said.items()):
                answers.setdefault(code, {"description": why, "content": shape})
    return result
