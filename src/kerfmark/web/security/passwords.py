"""Passwords: argon2id, and what one must be like."""

from __future__ import annotations

from functools import cache

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from kerfmark.errors import InputError

__all__ = ["LEAST_LENGTH", "check_password", "hashed", "is_password"]

LEAST_LENGTH = 12
"""Source: NIST SP 800-63B-4 asks for 15 where a password stands alone and 8 beside a second factor; ours is between, with tries limited."""
MOST_LENGTH = 1000


@cache
def _hasher() -> PasswordHash:
    """argon2id with 19 MiB, two passes, one lane. Source: OWASP Password Storage Cheat Sheet, the first of its equal choices [from memory]."""
    return PasswordHash((Argon2Hasher(time_cost=2, memory_cost=19 * 1024, parallelism=1),))


def check_password(password: str, *, name: str) -> None:
    """Refuse what is too short or the person's own name; length is asked for, kinds of characters are not."""
    if not LEAST_LENGTH <= len(password) <= MOST_LENGTH:
        raise InputError(
            f"password: {len(password)} characters, expected {LEAST_LENGTH} to {MOST_LENGTH}. Choose a longer one, such as four words."
        )
    if name and name.casefold() in password.casefold():
        raise InputError(
            "password: it holds the account's own name, expected one that cannot be guessed from it. Choose another."
        )
    if len(set(password)) < 5:
        raise InputError("password: fewer than 5 different characters, expected more. Choose another.")


def hashed(password: str) -> str:
    """The password as it is kept."""
    return _hasher().hash(password)


def is_password(password: str, kept: str | None) -> bool:
    """True where it is the one kept. Without one it takes as long and is False, so that nobody learns which names exist."""
    if len(password) > MOST_LENGTH:
        return False
    if kept is None:
        _hasher().verify(password, _nobodys())
        return False
    return _hasher().verify(password, kept)


@cache
def _nobodys() -> str:
    return hashed("nobody has this one")
