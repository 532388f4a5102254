"""How JSON is read. Apart from the views: those load it while they load."""

from __future__ import annotations

import json
from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser


class Json(JSONParser):
    """JSON, without what no database and no answer could write again."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            data = super().parse(stream, media_type, parser_context)
            json.dumps(data, ensure_ascii=False).encode()
        except RecursionError as error:
            raise ParseError("It is nested too deeply.") from error
        except UnicodeEncodeError as error:
            raise ParseError("There is half a sign in it, which is no text.") from error
        return data
