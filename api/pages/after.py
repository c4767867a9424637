"""Going on to a page after something was done, which that page then says, once.

It is remembered in a cookie of the browser and not in the address, so that a reload or a bookmark does not
say it again. The cookie names one of `words.DONE`; anything else says nothing.
"""

from __future__ import annotations

from fastapi import Request
from starlette.responses import RedirectResponse, Response

from api import words

COOKIE = "holdfast_done"
LASTS_S = 30


def see(path: str, done: str = "saved") -> Response:
    """Go on to a page, and let it say what was done."""
    answer = RedirectResponse(path, 303)
    answer.set_cookie(COOKIE, done, max_age=LASTS_S, httponly=True, samesite="lax")
    return answer


def done_before(request: Request) -> str:
    """The sentence of what was just done, or nothing."""
    return words.DONE.get(request.cookies.get(COOKIE, ""), "")
