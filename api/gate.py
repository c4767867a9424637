"""The gate before everything: who asks, and did a request come from our own pages?"""

from __future__ import annotations

import hmac
from urllib.parse import quote, urlsplit

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.context import Context
from api.problems import answer
from model.errors import Unavailable
from model.rights import Right
from store import sessions, tokens
from store.people import MACHINE, Person
from store.tokens import NoToken

COOKIE = "holdfast_login"
TO_VERIFY = ("/verify", "/api/v1/records/keys", "/api/v1/records/schema", "/api/v1/records/verify")
"""Whoever was handed a record may check it."""
OPEN = ("/healthz", "/readyz", "/login", "/manifest.webmanifest", "/worker.js", "/no-line", *TO_VERIFY)
OPEN_BELOW = ("/invitation/",)
STATIC = "/static/"
API = "/api/"
METRICS = "/metrics"
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
REALM = 'Bearer realm="holdfast"'

SCRAPER = Person(0, "metrics", "The metrics token", MACHINE, frozenset({Right.METRICS}))
"""Who asks with the token of the settings."""

SECURITY_HEADERS = {
    # BokehJS writes style elements; scripts come from our own address only, and none from text.
    "Content-Security-Policy": (
        "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "frame-ancestors 'none'; base-uri 'none'; form-action 'self'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
}


class Gate:
    """ASGI middleware that lets a request through, or answers it.

    Everything but health, the login page, invitations, static files and what installs the app needs a login
    or a machine's token, also addresses that do not exist; a new route is therefore protected without anybody
    remembering to. What who asks may do is decided at the route (`api.permissions`).
    """

    def __init__(self, app: ASGIApp, context: Context) -> None:
        self.app = app
        self.context = context

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                if not request.url.path.startswith(STATIC):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = await self._refusal(request)
        await (refusal or self.app)(scope, receive, send_with_headers)

    async def _refusal(self, request: Request) -> ASGIApp | None:
        path = request.url.path
        if path.startswith(STATIC):
            return None
        request.state.person = request.state.session = None
        token = bearer(request)
        # A token is put into a request by its program, never by a browser on another site's behalf.
        if token is None and request.method not in SAFE_METHODS and not came_from_us(request):
            return answer(request, 403, "This request came from another site; nothing was done.")
        is_open = path in OPEN or path.startswith(OPEN_BELOW)
        if token is not None and not is_open and not path.startswith((API, METRICS)):
            return answer(request, 403, "A token opens the API and the metrics, no pages.")
        if not path.startswith("/healthz"):
            try:
                who = await run_in_threadpool(identify, self.context, request)
            except Unavailable as error:
                if not is_open:
                    return answer(request, error.status, str(error))
                who = None
            if isinstance(who, NoToken):
                return None if is_open else refuse_token(request, who)
            request.state.person = who
        return None if request.state.person or is_open else refuse(request)


def bearer(request: Request) -> str | None:
    """The token of a request (RFC 6750, section 2.1); with one, cookies do not count."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else None


def identify(context: Context, request: Request) -> Person | NoToken | None:
    """Who asks, by the request's token or else its cookie; None: nobody who has logged in."""
    token = bearer(request)
    if token is not None:
        if request.url.path == METRICS and may_measure(context, token):
            return SCRAPER
        with context.database() as conn:
            return tokens.whose(conn, token, context.now())
    cookie = request.cookies.get(COOKIE)
    if not cookie:
        return None
    with context.database() as conn:
        found = sessions.find(conn, cookie, context.now())
    if found is None:
        return None
    person, request.state.session = found
    return person


def still_may(context: Context, request: Request, right: Right) -> bool:
    """Whether who asked has that right now, for answers that go on and on."""
    who = identify(context, request)
    return isinstance(who, Person) and right in who.rights


def may_measure(context: Context, token: str) -> bool:
    """Whether it is the token of the settings."""
    expected = context.config.metrics_token or ""
    return bool(expected) and hmac.compare_digest(token.encode(), expected.encode())


def refuse_token(request: Request, why: NoToken) -> ASGIApp:
    """The answer to a token that opens nothing (RFC 6750, section 3.1)."""
    challenge = f'{REALM}, error="invalid_token", error_description="{why.why}"'
    return answer(request, 401, why.why, headers={"WWW-Authenticate": challenge})


def refuse(request: Request) -> ASGIApp:
    """The answer for somebody who is not logged in: pages lead to the login and back."""
    from fastapi.responses import RedirectResponse

    path = request.url.path
    if path.startswith(API) or path == METRICS:
        sentence = "Nobody is logged in; log in at /login, or send a token."
        return answer(request, 401, sentence, headers={"WWW-Authenticate": REALM})
    if request.method not in SAFE_METHODS:
        return RedirectResponse("/login", 303)
    back = path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse("/login" + (f"?next={quote(back, safe='')}" if back != "/" else ""), 303)


def came_from_us(request: Request) -> bool:
    """Whether a request that changes something was made by our own page, or by no page at all.

    Browsers say where a request comes from (``Sec-Fetch-Site``, and ``Origin`` with every POST); a script
    that sends neither must send JSON, a table or another method, which no foreign form can.
    """
    origin = request.headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc == request.headers.get("host", "")
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    if COOKIE not in request.cookies or request.method != "POST":
        return True
    kind = request.headers.get("content-type", "").split(";")[0].strip()
    return kind in ("application/json", "text/csv")
