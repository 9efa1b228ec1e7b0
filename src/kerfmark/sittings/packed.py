"""Records as plain values, and those as JSON to be packed into a zip."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any

__all__ = ["as_json_bytes", "plain"]


def plain(value: Any) -> Any:
    """Plain values out of records: times in ISO 8601, what is not finite None.

    Examples
    --------
    >>> plain({"limits": (float("-inf"), 0.05)})
    {'limits': [None, 0.05]}
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(entry) for entry in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def as_json_bytes(value: Any) -> bytes:
    """Records as readable JSON, UTF-8."""
    return json.dumps(plain(value), indent=1, ensure_ascii=False, allow_nan=False).encode()
