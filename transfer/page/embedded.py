"""Data inside a page, where a script finds it and markup cannot end it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["safe_json"]


def safe_json(value: Any) -> Markup:
    """JSON that cannot end the element it stands in, nor be read as markup."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for sign, code in (("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026")):
        text = text.replace(sign, code)
    return Markup(text)
