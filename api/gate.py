"""The gate before everything: who is logged in, and did this request come from our own pages?"""

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
from store import sessions
from store.people import Person

COOKIE = "holdfast_login"
OPEN = ("/healthz", "/readyz", "/login")
OPEN_BELOW = "/static/"
METRICS = "/metrics"
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")

SCRAPER = Person(0, "metrics", "The metrics token", "machine", frozenset({Right.METRICS}))
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

    Everything but health, the login page and static files needs a login, also addresses that do not exist;
    a new route is therefore protected without anybody remembering to.
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
                if not request.url.path.startswith(OPEN_BELOW):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = await self._refusal(request)
        await (refusal or self.app)(scope, receive, send_with_headers)

    async def _refusal(self, request: Request) -> ASGIApp | None:
        path = request.url.path
        if path.startswith(OPEN_BELOW):
            return None
        if request.method not in SAFE_METHODS and not came_from_us(request):
            return answer(request, 403, "This request came from another site; nothing was done.")
        request.state.person = None
        token = request.cookies.get(COOKIE)
        if token and not path.startswith("/healthz"):
            try:
                request.state.person = await run_in_threadpool(self._whose, token)
            except Unavailable as error:
                if path not in OPEN:
                    return answer(request, error.status, str(error))
        if path == METRICS and self._may_measure(request):
            request.state.person = SCRAPER
        if request.state.person or path in OPEN:
            return None
        return refuse(request)

    def _whose(self, token: str) -> Person | None:
        with self.context.database() as conn:
            return sessions.whose(conn, token, self.context.now())

    def _may_measure(self, request: Request) -> bool:
        expected = self.context.config.metrics_token
        given = request.headers.get("authorization", "").removeprefix("Bearer ")
        return bool(expected) and hmac.compare_digest(given.encode(), (expected or "").encode())


def refuse(request: Request) -> ASGIApp:
    """The answer for somebody who is not logged in: pages lead to the login and back."""
    from fastapi.responses import RedirectResponse

    path = request.url.path
    if path.startswith("/api/") or path == METRICS:
        return answer(request, 401, "Nobody is logged in; log in at /login.")
    if request.method not in SAFE_METHODS:
        return RedirectResponse("/login", 303)
    back = path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse("/login" + (f"?next={quote(back, safe='')}" if back != "/" else ""), 303)


def came_from_us(request: Request) -> bool:
    """Whether a request that changes something was made by our own page, or by no page at all.

    Browsers say where a request comes from (``Sec-Fetch-Site``, and ``Origin`` with every POST); a script
    that sends neither must use JSON or another method, which no foreign form can send.
    """
    origin = request.headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc == request.headers.get("host", "")
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    if COOKIE not in request.cookies or request.method != "POST":
        return True
    return request.headers.get("content-type", "").split(";")[0].strip() == "application/json"
