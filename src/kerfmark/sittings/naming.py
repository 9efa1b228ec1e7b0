"""What people and sites are called, checked once: codes, names, e-mail addresses."""

from __future__ import annotations

from kerfmark.errors import ConflictError, InputError, printable
from kerfmark.storage import Transaction, func
from kerfmark.storage.schema import Person

__all__ = ["as_code", "as_email", "as_name"]

CODE_LIMIT = 60
EMAIL_LIMIT = 254
FORMULAS = ("=", "+", "-", "@")
"""Codes stand in tables that spreadsheets open, and these would be run there."""
JOINERS = "\u200c\u200d"
"""Unseen, and part of how names are written in Persian and other scripts (Unicode 15, 23.2)."""


def as_code(code: str) -> str:
    """What stands for a person in rosters and tables."""
    code = code.strip()
    if not code or len(code) > CODE_LIMIT or not code.isprintable() or "," in code:
        raise InputError(
            f"code '{printable(code, limit=40)}' is not usable, expected 1 to {CODE_LIMIT} printable characters without a comma. Correct it."
        )
    if code.startswith(FORMULAS):
        raise InputError(
            f"code '{printable(code, limit=40)}' begins as a spreadsheet's formula does, expected a letter or a digit. Correct it."
        )
    return code


def as_name(text: str, what: str) -> str:
    """What a person or a site is called: one line that can be shown."""
    text = " ".join(text.split())
    if not text or len(text) > 200 or not "".join(c for c in text if c not in JOINERS).isprintable():
        raise InputError(
            f"{what}: name is '{printable(text, limit=40)}', expected 1 to 200 characters that can be shown. Give one."
        )
    return text


def as_email(tx: Transaction, email: str | None, *, of: str | None = None) -> str | None:
    """An address nobody else has: whoever a university's sign-in names is found by it."""
    email = (email or "").strip()
    if not email:
        return None
    if len(email) > EMAIL_LIMIT or email.count("@") != 1 or not email.isprintable() or " " in email:
        raise InputError(
            f"email is '{printable(email, limit=40)}', expected an address such as name@school.example. Correct it."
        )
    others = tx.all(Person, func.lower(Person.email) == email.lower(), Person.erased_at.is_(None))
    if any(other.id != of for other in others):
        raise ConflictError(
            f"email '{printable(email, limit=40)}' is another person's, expected one of their own. Correct it."
        )
    return email
