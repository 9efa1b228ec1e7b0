"""Who sent a request and how they want pages to look."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from kerfmark.sittings.rights import ROLES, Actor
from kerfmark.web.security.forms import form_token
from kerfmark.web.words import Words, words_in

__all__ = ["SignedIn", "Visitor"]


@dataclass(frozen=True, slots=True, eq=False)
class SignedIn:
    """Somebody signed in."""

    id: str
    name: str
    code: str
    actor: Actor
    roles: frozenset[str]

    def roles_text(self, words: Callable[[str], str]) -> str:
        """Their roles in words, in a fixed order."""
        return ", ".join(words(role) for role in ROLES if role in self.roles)


@dataclass(frozen=True, slots=True, eq=False)
class Visitor:
    """What is known of whoever sent a request.

    Attributes
    ----------
    person : SignedIn or None
    cookie : str
        The secret their forms' tokens are made with.
    language, scheme : str
        `scheme` is `light`, `dark` or empty: as the system has it.
    single_keys_off : bool
        Keys of one letter do nothing (WCAG 2.1.4).
    path : str
    now : datetime
    came_from : str
        Where the form stands that this request sent, as an address of ours; empty where no form was sent.
    """

    person: SignedIn | None
    cookie: str
    language: str
    scheme: str
    single_keys_off: bool
    path: str
    now: datetime
    came_from: str = ""

    @property
    def form_token(self) -> str:
        """What every form of theirs carries."""
        return form_token(self.cookie)

    @property
    def words(self) -> Words:
        """Words in their language."""
        return words_in(self.language)

    @property
    def roles(self) -> frozenset[str]:
        """Every role they hold anywhere."""
        return frozenset() if self.person is None else self.person.roles
