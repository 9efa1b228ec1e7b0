"""One file a page, beside a template and a test of the same stem. `ROUTERS` lists them."""

from kerfmark.web.pages import account, sign_in, university

__all__ = ["ROUTERS"]

ROUTERS = (sign_in.router, university.router, account.router)
