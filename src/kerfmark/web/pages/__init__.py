"""One file a page, beside a template and a test of the same stem. `ROUTERS` lists them."""

from kerfmark.web.pages import (
    account,
    admin,
    beside,
    decide,
    demo,
    evidence,
    exercise,
    exercises,
    first,
    judge,
    learner,
    learners,
    limits,
    passline,
    piece,
    pieces,
    plan,
    queue,
    reveal,
    rigs,
    sign_in,
    sitting,
    sittings,
    university,
)

__all__ = ["ROUTERS"]

_PAGES = (
    sign_in, university, demo, account, first, sittings, sitting, pieces, judge, reveal, decide, beside, piece, queue, exercises, exercise, plan, limits,
    learners, learner, evidence, passline, rigs, admin,
)  # fmt: skip
ROUTERS = tuple(page.router for page in _PAGES)
"""In the order in which addresses are compared: `/pieces/new` comes before `/pieces/{piece_id}`."""
