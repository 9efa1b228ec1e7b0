"""Signing in with OpenID Connect, against a provider written here: discovery, PKCE, code, signed token, nonce.

Source of the provider's behaviour: OpenID Connect Core 1.0, 3.1; RFC 7636, 4.6.
"""

import base64
import hashlib
import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import pytest
from joserfc import jwt
from joserfc.jwk import RSAKey

from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.sites import sites
from kerfmark.web.app import create_app
from kerfmark.web.options import OidcOptions, WebOptions

SECRET = "the client's secret"


class Provider:
    """A university's sign-in on this machine. `claims` and `alter` say what its tokens hold."""

    def __init__(self) -> None:
        self.key = RSAKey.generate_key(2048, {"kid": "one", "use": "sig"})
        self.asked: dict[str, dict[str, str]] = {}
        self.claims: dict[str, object] = {"sub": "u-1", "email": "ines@university.example", "email_verified": True}
        self.signing_key = self.key
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.issuer = f"http://127.0.0.1:{self.server.server_port}"
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self.thread.start()

    def authorize(self, address: str) -> str:
        """What a person does there: signs in; returns where the browser is sent back to."""
        asked = {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
        assert (asked["response_type"], asked["code_challenge_method"]) == ("code", "S256")
        self.asked["code-1"] = asked
        return f"{asked['redirect_uri']}?code=code-1&state={asked['state']}"

    def token(self, form: dict[str, str], authorization: str) -> dict[str, str] | None:
        asked = self.asked.pop(form.get("code", ""), None)
        known = base64.b64encode(f"kerfmark:{SECRET}".encode()).decode()
        proof = (
            base64.urlsafe_b64encode(hashlib.sha256(form.get("code_verifier", "").encode()).digest())
            .rstrip(b"=")
            .decode()
        )
        if (
            asked is None
            or authorization != f"Basic {known}"
            or proof != asked["code_challenge"]
            or form["redirect_uri"] != asked["redirect_uri"]
        ):
            return None
        now = int(time.time())
        claims = {
            "iss": self.issuer,
            "aud": "kerfmark",
            "exp": now + 300,
            "iat": now,
            "nonce": asked["nonce"],
            **self.claims,
        }
        return {
            "access_token": "unused",
            "token_type": "Bearer",
            "id_token": jwt.encode({"alg": "RS256", "kid": "one"}, claims, self.signing_key),
        }

    def about(self) -> dict[str, str]:
        return {
            name: f"{self.issuer}/{path}"
            for name, path in (
                ("authorization_endpoint", "authorize"),
                ("token_endpoint", "token"),
                ("jwks_uri", "keys"),
            )
        } | {"issuer": self.issuer}

    def _handler(self):
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                known = {
                    "/.well-known/openid-configuration": provider.about,
                    "/keys": lambda: {"keys": [provider.key.as_dict(private=False)]},
                }
                self.say(known[self.path]())

            def do_POST(self):
                form = parse_qs(self.rfile.read(int(self.headers["content-length"])).decode())
                token = provider.token(
                    {name: values[0] for name, values in form.items()}, self.headers.get("authorization", "")
                )
                self.say(token or {"error": "invalid_grant"}, 200 if token else 400)

            def say(self, content, status=200):
                body = json.dumps(content).encode()
                self.send_response(status)
                self.send_header("content-type", "application/json")
                self.send_header("content-length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_):
                pass

        return Handler

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def provider():
    running = Provider()
    yield running
    running.close()


@pytest.fixture
def browser(provider, store, settings, lead, open_browser):
    options = WebOptions(oidc=OidcOptions(provider.issuer, "kerfmark", SECRET, name="Westerlund account"))
    return open_browser(of=create_app(store, options=options, settings=settings))


@pytest.fixture
def ines(store, lead):
    """A learner the university knows by this address."""
    site = sites(store)[0].id
    return add_person(
        store, PROGRAM, code="L-0001", name="Ines Okafor", email="ines@university.example", roles=[("learner", site)]
    )


def through(browser, provider, next="/account"):
    there = browser.get(f"/oidc/start?next={next}").headers["location"]
    assert there.startswith(f"{provider.issuer}/authorize?")
    return browser.get(provider.authorize(there))


def test_who_the_university_knows_by_a_verified_address_comes_in_and_is_tied(browser, provider, ines):
    answer = through(browser, provider)
    assert (answer.status_code, answer.headers["location"]) == (303, "/account")
    assert "Ines Okafor" in browser.get("/account").text
    provider.claims = {"sub": "u-1"}  # tied now: the address is needed no more
    browser.post("/sign-out")
    assert through(browser, provider).status_code == 303


def test_the_sign_in_page_offers_it_by_name(browser):
    assert "Westerlund account" in browser.get("/sign-in").text


def test_an_address_the_university_did_not_verify_ties_nobody(browser, provider, ines):
    provider.claims = {"sub": "u-2", "email": "ines@university.example", "email_verified": False}
    assert through(browser, provider).status_code == 404
    assert browser.get("/account").status_code == 303


def test_a_token_signed_with_another_key_is_refused(browser, provider, ines):
    provider.signing_key = RSAKey.generate_key(2048, {"kid": "one"})
    assert through(browser, provider).status_code == 422


@pytest.mark.parametrize(
    "wrong", [{"nonce": "another"}, {"aud": "another"}, {"iss": "https://another.example"}, {"exp": 1}]
)
def test_a_token_for_another_purpose_is_refused(browser, provider, ines, wrong):
    provider.claims = {**provider.claims, **wrong}
    assert through(browser, provider).status_code == 422


def test_an_answer_to_a_sign_in_that_another_browser_began_is_refused(browser, provider, ines, open_browser):
    back = provider.authorize(browser.get("/oidc/start").headers["location"])
    other = open_browser(of=browser.client._transport.app)
    assert other.get(back).status_code == 422


def test_the_browser_is_only_ever_sent_on_to_an_address_of_ours(browser, provider, ines):
    assert through(browser, provider, next="//elsewhere.example").headers["location"] == "/"
