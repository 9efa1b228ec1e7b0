"""One file a page, beside a template and a test of the same stem. `ROUTERS` lists them."""

from kerfmark.web.pages import account, sign_in

__all__ = ["ROUTERS"]

ROUTERS = (sign_in.router, account.router)
