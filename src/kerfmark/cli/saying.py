"""What is said on the way: progress, warnings and failures on standard error, values as JSON."""

from __future__ import annotations

import json
import sys
import threading
from typing import TYPE_CHECKING, Any

from kerfmark.errors import printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from kerfmark.records import Remark

__all__ = ["Progress", "say", "show_remarks", "values_text"]


class Progress:
    """Says on a terminal's standard error what is going on, once it has taken more than a second."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._timer: threading.Timer | None = None

    def __call__(self, stage: str) -> None:
        """A stage begins; the one before it has ended."""
        self.done()
        if self._shown:
            self._timer = threading.Timer(1.0, lambda: print(f"  {stage} …", file=sys.stderr, flush=True))
            self._timer.daemon = True
            self._timer.start()

    def done(self) -> None:
        """Nothing is going on any more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def say(text: str) -> None:
    """One line on standard error."""
    print(text, file=sys.stderr, flush=True)


def show_remarks(remarks: Iterable[Remark]) -> None:
    """Each remark as a warning, which never changes the exit status."""
    for remark in remarks:
        say(f"warning: {printable(remark.where)}: {printable(remark.message, limit=400)}")


def values_text(values: dict[str, Any]) -> str:
    """Values as JSON text, without NaN or Infinity."""
    return json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False)
