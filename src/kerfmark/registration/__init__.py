"""A scan in any pose laid over the exercise: coarse search, robust fine fit, uncertainty, refusals in words."""

from __future__ import annotations

from kerfmark.registration.registering import Registered, register

__all__ = ["Registered", "register"]
