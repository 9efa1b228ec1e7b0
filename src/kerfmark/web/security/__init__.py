"""What stands between a request and a page: headers, form tokens, limits on tries, passwords, sessions."""
