"""How a browser signs in: with a token, kept in a cookie that no script can read and no other site's page can send."""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from starlette.responses import RedirectResponse

if TYPE_CHECKING:
    from starlette.datastructures import Headers
    from starlette.responses import Response
    from starlette.types import Scope

    from soakd.web.problems import ProblemError

COOKIE: Final = "soakd-token"
KEPT_S: Final = 30 * 86_400
SIGN_IN: Final = "/sign-in"
SIGN_OUT: Final = "/sign-out"
STOP: Final = "/stop"
STATIC: Final = ("/static/report.css", "/static/page.css")
OPEN: Final = frozenset({SIGN_IN, *STATIC})
"""What somebody may see who is not known yet."""
OWN: Final = frozenset({SIGN_IN, SIGN_OUT})
"""What changes nothing but whom a browser is taken for."""
FORMS: Final = frozenset({SIGN_IN, SIGN_OUT, STOP})
"""What works without a script: it is sent as a form."""
FORM_TYPE: Final = "application/x-www-form-urlencoded"
_UNKNOWN: Final = 401
_NOT_PAGES: Final = ("/api/", "/metrics", "/static/", "/live")


def kept(headers: Headers) -> str | None:
    """The token that a browser kept."""
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if found is None else found.value


def keep(response: Response, token: str) -> None:
    """It is not marked Secure: the API listens on loopback alone, where nothing is encrypted."""
    response.set_cookie(COOKIE, token, max_age=KEPT_S, httponly=True, samesite="strict", path="/")


def forget(response: Response) -> None:
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")


def instead(scope: Scope, headers: Headers, problem: ProblemError) -> Response | None:
    """A person who asks for a page without being known is led to the door instead of being shown a document."""
    path = scope["path"]
    asks = scope["method"] == "GET" and "text/html" in headers.get("accept", "")
    if problem.status != _UNKNOWN or not asks or path.startswith(_NOT_PAGES):
        return None
    return RedirectResponse(f"{SIGN_IN}?next={quote(path, safe='/')}", status_code=303)


def local(path: str) -> str:
    """Where to go after signing in: a path of ours and nothing else."""
    plain = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if plain and not path.startswith(_NOT_PAGES) else "/"
